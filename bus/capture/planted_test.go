package capture

import (
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// planted writes a text log with oddities, line by line as it is read, and
// counts what it planted.
type planted struct {
	total, lines int
	now          int64 // ns since the epoch
	random       *rand.Rand
	want         Report
	rest         []byte
	counter      uint32
	quiet        int // ordinary lines still to come before the next oddity
}

func newPlanted(total int) *planted {
	return &planted{total: total, now: 1522028512_000000_000, random: rand.New(rand.NewPCG(1, 2)), quiet: 10}
}

func (p *planted) Read(b []byte) (int, error) {
	for len(p.rest) < len(b) && p.lines < p.total {
		p.add()
	}
	n := copy(b, p.rest)
	p.rest = append(p.rest[:0], p.rest[n:]...)
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// put writes a line.
func (p *planted) put(format string, args ...any) {
	p.rest = fmt.Appendf(p.rest, format+"\n", args...)
	p.lines++
	p.want.Lines++
}

// frame writes a frame with a stamp apart from now by some time.
func (p *planted) frame(by time.Duration, frame string) {
	at := p.now + int64(by)
	p.put("(%d.%06d) can0 %s", at/1e9, at%1e9/1e3, frame)
	p.want.Read++
}

// data is a frame that no other one is the same as.
func (p *planted) data() string {
	p.counter++
	return fmt.Sprintf("%03X#%08X", 0x100+p.random.IntN(96), p.counter)
}

// add writes one ordinary frame or one oddity. Oddities stand 60 ms and more
// apart, so that none disturbs the count of another.
func (p *planted) add() {
	p.now += 500_000 + p.random.Int64N(100)*1000
	if p.quiet > 0 || p.lines > p.total-300 {
		p.quiet--
		p.frame(0, p.data())
		return
	}
	p.quiet = 120 + p.random.IntN(40)
	if kind := p.random.IntN(20); kind < 9 {
		p.addLine(kind)
	} else {
		p.addTime(kind)
	}
}

// addLine writes a line that is odd in itself.
func (p *planted) addLine(kind int) {
	w := &p.want
	switch kind {
	case 0:
		p.put("this is no frame")
		w.Unreadable++
	case 1:
		p.put("(%d.5) can0 123#1", p.now/1e9)
		w.Unreadable++
	case 2:
		p.put("")
		w.Blank++
	case 3:
		p.put("# marked by hand")
		w.Comments++
	case 4:
		p.put("%s", strings.Repeat("long ", 4000))
		w.TooLong++
	case 5:
		p.frame(0, "7DF#R8")
		w.Remote++
	case 6:
		p.frame(0, "20000004#0001000000000000")
		w.Errors++
		w.Overruns++
	case 7:
		p.frame(0, "20000080#0000000000000000")
		w.Errors++
	case 8:
		p.frame(0, fmt.Sprintf("18FEF100##1%08X%s", p.lines, strings.Repeat("00", 60)))
		w.FD++
	}
}

// addTime writes a line that is odd beside those around it.
func (p *planted) addTime(kind int) {
	w := &p.want
	switch kind {
	case 9:
		p.frame(-49*time.Millisecond, p.data())
		w.Sorted++
	case 10:
		p.frame(-51*time.Millisecond, p.data())
		w.Late++
	case 11:
		p.frame(-24*time.Hour, p.data())
		w.Late++
	case 12:
		p.frame(100*24*time.Hour, p.data())
		w.Damaged++
	case 13:
		twin := p.data()
		p.frame(0, twin+" T")
		p.now += 700_000
		p.frame(0, twin+" R")
		w.Twins++
	case 14:
		twin := p.data()
		p.frame(0, twin)
		p.frame(20*time.Microsecond, twin)
		w.Twins++
	case 15:
		p.now += int64(6 * time.Second)
		w.Gaps++
		p.frame(0, p.data())
	case 16:
		p.frame(0, fmt.Sprintf("123#%016X_C", p.lines))
		w.RawDLC++
	case 17:
		p.rest = append(p.rest, 0, 0, 0, 0)
		w.Padding += 4
		p.frame(0, strings.ToLower(p.data())+"\r")
	case 18:
		p.now++ // a stamp of nine digits
		p.put("  (%d.%09d3) can0 %s R  ", p.now/1e9, p.now%1e9, p.data())
		p.now--
		w.Read++
		w.CutDigits++
	case 19:
		same := p.random.IntN(1000)
		p.frame(0, fmt.Sprintf("700#%04X", same))
		p.frame(0, fmt.Sprintf("700#%04X", same+1))
	}
}

// A long log with every oddity planted: exact counts, and memory that does not
// grow with the file.
func TestPlantedOddities(t *testing.T) {
	total := 100_000
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		total = 1_000_000
	}
	p := newPlanted(total)
	runtime.GC()
	var before, m runtime.MemStats
	runtime.ReadMemStats(&before)
	r, err := NewReader("planted", p, Options{})
	require.NoError(t, err)
	var f bus.Frame
	var last time.Duration
	var peak uint64
	var afterGap, n int64
	for r.Next(&f) {
		require.False(t, f.At < last, "frame %d goes back from %v to %v", n, last, f.At)
		last = f.At
		if f.AfterGap {
			afterGap++
		}
		if n++; n%8192 == 0 {
			runtime.GC() // what is held counts, not the garbage of the planting
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapAlloc)
		}
	}
	require.NoError(t, r.Err())
	got, want := r.Report(), p.want
	balance(t, got)
	for _, c := range []struct {
		name      string
		got, want int64
	}{
		{"lines", got.Lines, want.Lines}, {"read", got.Read, want.Read}, {"blank", got.Blank, want.Blank},
		{"comments", got.Comments, want.Comments}, {"unreadable", got.Unreadable, want.Unreadable},
		{"too long", got.TooLong, want.TooLong}, {"padding", got.Padding, want.Padding},
		{"twins", got.Twins, want.Twins}, {"damaged", got.Damaged, want.Damaged}, {"late", got.Late, want.Late},
		{"sorted", got.Sorted, want.Sorted}, {"cut digits", got.CutDigits, want.CutDigits},
		{"remote", got.Remote, want.Remote}, {"errors", got.Errors, want.Errors},
		{"overruns", got.Overruns, want.Overruns}, {"fd", got.FD, want.FD}, {"raw dlc", got.RawDLC, want.RawDLC},
		{"gaps", got.Gaps, want.Gaps}, {"after gap", afterGap, want.Gaps}, {"window full", got.WindowFull, 0},
		{"frames", got.Frames, n},
	} {
		require.Equal(t, c.want, c.got, c.name)
	}
	for _, c := range []int64{want.Unreadable, want.TooLong, want.Twins, want.Damaged, want.Late, want.Sorted,
		want.CutDigits, want.Remote, want.Errors, want.Overruns, want.FD, want.RawDLC, want.Gaps, want.Padding} {
		require.NotZero(t, c, "an oddity was never planted: %+v", want)
	}
	require.Len(t, got.Bad, shownLines)
	// The file is 5 MB (long size: 50 MB), the buffers of the reader are 1 MB.
	require.Less(t, int64(peak)-int64(before.HeapAlloc), int64(3<<20), "bytes of heap")
}
