package main

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
)

// longLog writes a text log with every oddity that real ones have, and counts what
// it planted.
type longLog struct {
	to      *bufio.Writer
	random  *rand.Rand
	now     int64 // us since 1970
	lines   int
	counter uint32
	planted map[string]int64
}

func (l *longLog) put(format string, args ...any) {
	fmt.Fprintf(l.to, format+"\n", args...)
	l.lines++
}

func (l *longLog) frame(by time.Duration, frame string) {
	at := l.now + by.Microseconds()
	l.put("(%d.%06d) can0 %s", at/1e6, at%1e6, frame)
}

// data is a frame unlike all others.
func (l *longLog) data() string {
	l.counter++
	return fmt.Sprintf("%03X#%08X%08X", 0x100+l.random.IntN(96), l.counter, l.random.Uint32())
}

// oddities are what is planted, each far from the next. They return what is
// counted.
var oddities = []func(l *longLog) string{
	func(l *longLog) string { l.put("this is no frame"); return "unreadable" },
	func(l *longLog) string { l.put("(%d.5) can0 12#1", l.now/1e6); return "unreadable" },
	func(l *longLog) string { l.put(""); return "blank" },
	func(l *longLog) string { l.put("# a remark"); return "comments" },
	func(l *longLog) string { l.put("%s", strings.Repeat("long ", 4000)); return "too long" },
	func(l *longLog) string { l.frame(0, "7DF#R8"); return "remote" },
	func(l *longLog) string { l.frame(0, "20000080#0000000000000000"); return "errors" },
	func(l *longLog) string { l.frame(0, "20000004#0001000000000000"); return "overruns" },
	func(l *longLog) string { l.frame(0, fmt.Sprintf("18FEF100##1%08X", l.lines)); return "fd" },
	func(l *longLog) string { l.frame(0, fmt.Sprintf("123#%016X_C", l.lines)); return "raw code" },
	func(l *longLog) string { l.frame(-49*time.Millisecond, l.data()); return "sorted" },
	func(l *longLog) string { l.frame(-51*time.Millisecond, l.data()); return "late" },
	func(l *longLog) string { l.frame(-24*time.Hour, l.data()); return "late" },
	func(l *longLog) string { l.frame(100*24*time.Hour, l.data()); return "damaged" },
	func(l *longLog) string { // the request of a frame and the frame itself
		twin := l.data()
		l.frame(0, twin+" T")
		l.now += 700
		l.frame(0, twin+" R")
		return "twins"
	},
	func(l *longLog) string { // the same without marks
		twin := l.data()
		l.frame(0, twin)
		l.frame(20*time.Microsecond, twin)
		return "twins"
	},
	func(l *longLog) string { l.now += 6e6; l.frame(0, l.data()); return "gaps" },
	func(l *longLog) string { fmt.Fprint(l.to, "\x00\x00\x00"); l.frame(0, l.data()); return "padding" },
	func(l *longLog) string { l.frame(0, strings.ToLower(l.data())+"  \r"); return "lower case" },
	func(l *longLog) string {
		l.put("  (%d.%06d1234) can0 %s", l.now/1e6, l.now%1e6, l.data())
		return "cut digits"
	},
}

// write writes so many lines.
func (l *longLog) write(total int) {
	for quiet, next := 10, 0; l.lines < total; quiet-- {
		l.now += 500 + l.random.Int64N(100)
		if quiet > 0 || l.lines > total-300 {
			l.frame(0, l.data())
			continue
		}
		quiet = 120 + l.random.IntN(40)
		l.planted[oddities[next%len(oddities)](l)]++
		next++
	}
}

// watchHeap samples the heap until stop is called, which returns its peak.
func watchHeap() (stop func() uint64) {
	quit, peak := make(chan struct{}), make(chan uint64)
	go func() {
		var m runtime.MemStats
		most := uint64(0)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
			select {
			case <-quit:
				peak <- most
				return
			case <-tick.C:
			}
		}
	}()
	return func() uint64 { close(quit); return <-peak }
}

// A long log with every oddity planted goes through a whole run: the counts are
// exact, and memory stays small whatever the length of the log.
func TestRunOverLongLog(t *testing.T) {
	total := 100_000
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		total = 1_000_000
	}
	t.Chdir(t.TempDir())
	file, err := os.Create("drive.log")
	require.NoError(t, err)
	l := &longLog{to: bufio.NewWriterSize(file, 1<<20), random: rand.New(rand.NewPCG(7, 8)), now: 1522028512_000000, planted: map[string]int64{}}
	l.write(total)
	require.NoError(t, l.to.Flush())
	require.NoError(t, file.Close())
	const text = "bus: {capture: drive.log, messages: {Drive: {id: 120, signals: {speed: {start: 0, bits: 16}}}}}\n" +
		"bridge: {forward: [120, 121]}\nreceivers: {dial: {shows: {speed: 1s}}}\n"
	require.NoError(t, os.WriteFile("mine.yaml", []byte(text), 0o644))

	runtime.GC()
	stop := watchHeap()
	var out, errw bytes.Buffer
	status := run(t.Context(), []string{"run", "mine.yaml", "--replications", "3", "--duration", "30s"}, nil, &out, &errw)
	peak := stop()
	require.NotEqual(t, statusWrong, status, errw.String())
	require.Less(t, peak, uint64(100<<20), "bytes of heap at the peak")
	t.Logf("%d lines: peak heap %d MB", l.lines, peak>>20)
	report := strings.Join(strings.Fields(out.String()), " ") // lines are wrapped
	for _, note := range []string{
		fmt.Sprintf("%d lines of %d not understood", l.planted["unreadable"], l.lines),
		fmt.Sprintf("%d frames dropped for a stamp that steps back by more than 50ms", l.planted["late"]),
		fmt.Sprintf("%d transmit requests dropped, the frame itself kept", l.planted["twins"]),
		fmt.Sprintf("%d error frames saying that the logger itself lost frames", l.planted["overruns"]),
	} {
		require.Contains(t, report, note)
	}

	require.Regexp(t, `(?m)^      line \d+: no time stamp in brackets`, out.String(), "each on a line of its own")

	plan, err := scenarios.Open("mine.yaml", nil)
	require.NoError(t, err)
	r := plan.Bus.Capture.Summary.Report
	got := map[string]int64{
		"unreadable": r.Unreadable, "blank": r.Blank, "comments": r.Comments, "too long": r.TooLong, "remote": r.Remote,
		"errors": r.Errors - r.Overruns, "overruns": r.Overruns, "fd": r.FD, "raw code": r.RawDLC, "sorted": r.Sorted,
		"late": r.Late, "damaged": r.Damaged, "twins": r.Twins, "gaps": r.Gaps, "padding": r.Padding / 3, "cut digits": r.CutDigits,
	}
	for name, want := range l.planted {
		if name != "lower case" {
			require.Equal(t, want, got[name], name)
		}
		require.NotZero(t, want, name)
	}
	require.EqualValues(t, l.lines, r.Lines)
	require.Len(t, l.planted, 17)
	require.NoError(t, plan.Close())
}
