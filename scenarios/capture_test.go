package scenarios

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
)

// driven is a scenario of which only the traffic is recorded. Its pump has pages
// and says nothing about when they are sent.
const driven = `
bus:
  capture: {file: drive.log}
  messages:
    Drive: {id: 120, signals: {speed: {start: 0, bits: 12}}}
    Pump:
      id: 1A0
      page: {start: 0, bits: 2}
      signals: {pressure: {page: 0, start: 8, bits: 8}, level: {page: 1, start: 8, bits: 8}}
bridge: {forward: [120, 1A0]}
receivers:
  dial: {shows: {speed: 300ms, pressure: 800ms}}
`

// driveLog is a drive as a logger writes it: 120 every 20 ms on can0, 1A0 every
// 100 ms with the pages 0, 1, 0, 2 in turn, 333 every second on can1.
type driveLog struct {
	until time.Duration
	gap   time.Duration // of silence after the first second
}

func (d driveLog) text() string {
	var b strings.Builder
	for at := time.Duration(0); at < d.until; at += 20 * ms {
		stamp := at
		if at >= time.Second {
			stamp += d.gap
		}
		line := func(behind time.Duration, channel, frame string) {
			fmt.Fprintf(&b, "(%d.%06d) %s %s\n", 1700000000+(stamp+behind)/time.Second, (stamp+behind)%time.Second/time.Microsecond, channel, frame)
		}
		line(0, "can0", "120#1122334455667788")
		if at%(100*ms) == 0 {
			line(ms, "can0", fmt.Sprintf("1A0#%02X640000", []int{0, 1, 0, 2}[at/(100*ms)%4]))
		}
		if at%time.Second == 0 {
			line(2*ms, "can1", "333#01")
		}
	}
	return b.String()
}

func (d driveLog) write(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, []byte(d.text()), 0o644))
}

// inFolder gives the test a working directory with a drive of 20 s.
func inFolder(t *testing.T) {
	t.Helper()
	t.Chdir(t.TempDir())
	driveLog{until: 20 * time.Second}.write(t, "drive.log")
	require.NoError(t, os.WriteFile("mine.yaml", []byte(driven), 0o644))
}

// What the scenario does not say the capture does: how far apart updates are,
// pages included, and how long frames are.
func TestCapture(t *testing.T) {
	inFolder(t)
	p := open(t, "mine.yaml")
	c := p.Bus.Capture
	require.Equal(t, "drive.log", c.Name)
	require.Equal(t, 1000+200+20, int(c.Summary.Report.Frames))
	require.Equal(t, 19980*ms, c.Summary.Span)
	require.Len(t, c.Summary.IDs, 3)
	require.Equal(t, 20*ms, p.Receivers[0].Shows[0].Period)
	require.Equal(t, 200*ms, p.Receivers[0].Shows[1].Period, "page 0 is every second one")
	require.Equal(t, 400*ms, c.period(0x1a0, 2))
	require.Equal(t, []int{8, 4}, []int{p.Bridge.Forward[0].Length, p.Bridge.Forward[1].Length})
	require.NotNil(t, p.Bridge.Forward[1].Selector)
	require.InEpsilon(t, 61.0, p.Bus.FramesPerSecond(), 0.01)
	// 47+64 bits 50 times, 47+32 bits 10 times and 47+8 bits once a second.
	require.InEpsilon(t, (50*111+10*79+55)/500e3, p.Bus.Load(), 0.01)
	from, end := p.Window()
	require.Equal(t, []time.Duration{time.Second}, from)
	require.Equal(t, 61*time.Second, end)
	require.Equal(t, []string{
		"one capture: intervals speak of this drive only",
		`drive.log: channels read as if they were one bus: "can0" (1200), "can1" (20)`,
	}, p.Warnings)

	require.Equal(t, "can1", open(t, "mine.yaml", "bus.capture.channel=can1").Bus.Capture.Options.Channel)
	all := open(t, "mine.yaml", "bridge.forward=all").Bridge.Forward
	require.Len(t, all, 3)
	require.Equal(t, bus.ID(0x333), all[2].ID)
	require.Equal(t, 1, all[2].Length)
}

// The survey and a pass of the capture package agree.
func TestCaptureSurvey(t *testing.T) {
	t.Chdir(t.TempDir())
	driveLog{until: 5 * time.Second, gap: time.Minute}.write(t, "drive.log")
	for _, o := range []capture.Options{{}, {GapRule: capture.Silence}, {Channel: "can0"}} {
		want, err := capture.Scan("drive.log", o)
		require.NoError(t, err)
		c, err := openCapture([]string{"drive.log"}, o, 500e3, 500e3, func(bus.ID) *signal.Selector { return nil })
		require.NoError(t, err)
		require.Equal(t, &want, c.Summary)
		require.Len(t, c.Carried, len(want.IDs))
		for i, s := range want.IDs {
			require.Equal(t, s.Frames, c.Carried[i].Data)
			require.Equal(t, map[bus.ID]int{0x120: 8, 0x1a0: 4, 0x333: 1}[s.ID], c.Carried[i].Longest)
		}
	}
}

// On the command line a capture takes the place of a message set: its messages
// go on saying where signals lie.
func TestCaptureReplacesMessageSet(t *testing.T) {
	inFolder(t)
	set := open(t, "orchard")
	p := open(t, "orchard", "bus.capture=drive.log")
	require.Len(t, p.Bus.Messages, 13, "what carries signals")
	for i, m := range p.Bus.Messages {
		require.Equal(t, set.Bus.Messages[i].ID, m.ID)
		require.Equal(t, set.Bus.Messages[i].Selector, m.Selector)
		require.Len(t, m.Fields, len(set.Bus.Messages[i].Fields))
		require.Zero(t, m.Period)
	}
	require.Len(t, p.Receivers[0].Shows, len(set.Receivers[0].Shows))
	require.Contains(t, strings.Join(p.Warnings, "\n"), "on the forward list, but never in the capture: 128, 140, 150, 1A4, 1B0, 1C0, 240, 320, 328, 420, 428\n")
	require.Contains(t, strings.Join(p.Warnings, "\n"), "tail can never show what is not in the capture: work_lamps (1B0), beacon (1B0), hitch_position (150), section_valves (1A4), tank_level (320)")
	p = open(t, "orchard", "bus.capture=drive.log", "bus.messages.Spray.signals.spray_flow.start=40")
	require.Contains(t, p.Warnings, "sprayer shows signals that lie behind the end of their frames in the capture: spray_flow (1A0)", "8 bytes in the orchard, 4 in the capture")

	require.Empty(t, open(t, "storm", "bus.capture=drive.log").Bus.Timeline)
	require.Empty(t, open(t, "storm", "bus.capture=drive.log").Phases)
	require.Nil(t, open(t, "mine.yaml", "bus.capture=none", "bus.messages.Drive.period=20ms", "bus.messages.Pump={period: 100ms, page: {pages: [0, 1]}}").Bus.Capture)
}

// Built upon a message set, in a file.
func TestCaptureInAFileAboveAMessageSet(t *testing.T) {
	inFolder(t)
	require.NoError(t, os.WriteFile("mine.yaml", []byte("extends: orchard\nbus: {capture: drive.log}\n"), 0o644))
	p := open(t, "mine.yaml")
	require.NotNil(t, p.Bus.Capture)
	require.Equal(t, 20*ms, p.Receivers[0].Shows[0].Period)
	require.ErrorContains(t, func() error { _, err := Open("mine.yaml", []string{"bus.messages.Motor.period=10ms"}); return err }(),
		"bus.messages.Motor.period: has no effect beside bus.capture")
}

// A path in a file begins at the file, one on the command line where the program
// was started.
func TestCapturePaths(t *testing.T) {
	inFolder(t)
	require.NoError(t, os.MkdirAll("deep", 0o755))
	require.NoError(t, os.WriteFile("deep/mine.yaml", []byte(strings.Replace(driven, "drive.log", "near.log", 1)), 0o644))
	driveLog{until: 5 * time.Second}.write(t, "deep/near.log")
	frames := func(p *Plan) int64 { return p.Bus.Capture.Summary.Report.Frames }
	require.EqualValues(t, 305, frames(open(t, "deep/mine.yaml")))
	require.EqualValues(t, 1220, frames(open(t, "deep/mine.yaml", "bus.capture.file=drive.log")))
	full, err := filepath.Abs("deep/near.log")
	require.NoError(t, err)
	require.EqualValues(t, 305, frames(open(t, "mine.yaml", "bus.capture="+full)))
	require.NoError(t, os.WriteFile("above.yaml", []byte("extends: deep/mine.yaml\nseed: 2\n"), 0o644))
	require.EqualValues(t, 305, frames(open(t, "above.yaml")), "beside the text that says so, not the one that extends it")
}

// reads returns the first frames of a replication.
func reads(t *testing.T, p *Plan, replication uint64, n int) []bus.Frame {
	source, err := p.Bus.Source(Streams{Seed: p.Seed, Replication: replication}, nil, nil)
	require.NoError(t, err)
	defer func() { require.NoError(t, source.(io.Closer).Close()) }()
	out := make([]bus.Frame, n)
	for i := range out {
		require.True(t, source.Next(&out[i]), "frame %d", i)
	}
	return out
}

// Each replication begins at its own place in the capture, always the same one,
// and loops; with fixed phases all begin at the first frame.
func TestCaptureSource(t *testing.T) {
	inFolder(t)
	p := open(t, "mine.yaml")
	first := map[time.Duration]bool{}
	for i := range uint64(8) {
		frames := reads(t, p, i, 1300) // more than there are in the file
		require.Equal(t, frames, reads(t, p, i, 1300))
		require.Less(t, frames[0].At, 20*ms)
		require.Equal(t, frames[0].At, frames[0].Released)
		for k := 1; k < len(frames); k++ {
			require.LessOrEqual(t, frames[k-1].At, frames[k].At)
			require.Less(t, frames[k].At-frames[k-1].At, 31*ms, "no silence at the join")
		}
		first[frames[0].At] = true
	}
	require.Greater(t, len(first), 6)

	for _, p := range []*Plan{open(t, "mine.yaml", "phases=fixed"), open(t, "mine.yaml", "bus.capture.offset=0s")} {
		require.Equal(t, reads(t, p, 0, 100), reads(t, p, 1, 100))
		require.Zero(t, reads(t, p, 0, 1)[0].At)
	}
	later := reads(t, open(t, "mine.yaml", "bus.capture.offset=1s"), 3, 1)
	require.Zero(t, later[0].At)

	of := func(s Streams) time.Duration {
		source, err := p.Bus.Source(s, nil, nil)
		require.NoError(t, err)
		defer source.(io.Closer).Close()
		var f bus.Frame
		source.Next(&f)
		return f.At
	}
	require.NotEqual(t, of(Streams{Seed: 1}), of(Streams{Seed: 1}.Of("other", 0)), "a neighbour is at another place of the drive")
}

// A plan is used by several replications at the same time.
func TestCaptureSourceFromManyGoroutines(t *testing.T) {
	inFolder(t)
	p := open(t, "mine.yaml")
	want := make([][]bus.Frame, 4)
	for i := range want {
		want[i] = reads(t, p, uint64(i), 500)
	}
	got := make([][]bus.Frame, 16)
	var all sync.WaitGroup
	for i := range got {
		all.Go(func() {
			source, err := p.Bus.Source(Streams{Seed: p.Seed, Replication: uint64(i % 4)}, nil, nil)
			if err != nil {
				return
			}
			defer source.(io.Closer).Close()
			got[i] = make([]bus.Frame, 500)
			for k := range got[i] {
				source.Next(&got[i][k])
			}
		})
	}
	all.Wait()
	for i := range got {
		require.Equal(t, want[i%4], got[i])
	}
}

// Nothing about a capture is passed over in silence.
func TestCaptureOddities(t *testing.T) {
	inFolder(t)
	lines := strings.SplitAfter(driveLog{until: 4 * time.Second, gap: 30 * time.Second}.text(), "\n")
	lines[3] = "tis is no frame\n"
	lines[100] = "(1700000000.500000) can0 120#00\n" // behind its time by more than the sorting window
	require.NoError(t, os.WriteFile("drive.log", []byte(strings.Join(lines, "")), 0o644))
	p := open(t, "mine.yaml", "bridge.forward=[120, 1A0, 222]", "bridge.layout=slot", "receivers.dial.shows.level.limit=1s")
	require.Equal(t, []string{
		"one capture: intervals speak of this drive only",
		"drive.log: 1 line of 244 not understood\n  line 4: no time stamp in brackets at its beginning: \"tis is no frame\"",
		"drive.log: 1 frame dropped for a stamp that steps back by more than 50ms\n  line 101: its stamp steps back by 31.101s",
		"drive.log: 1 silence, the longest 30.02s: 30.019s cut out, values are unknown after each",
		`drive.log: channels read as if they were one bus: "can0" (239), "can1" (4)`,
		"on the forward list, but never in the capture: 222",
	}, p.Warnings)
	require.Equal(t, 3980*ms-19*ms, p.Bus.Capture.Summary.Span)

	quiet := open(t, "mine.yaml", "bus.capture.gaps=silence", "receivers.dial.shows={level: 1s}", "bus.messages.Pump.signals.level.page=3")
	require.Equal(t, 33980*ms, quiet.Bus.Capture.Summary.Span)
	require.Contains(t, quiet.Warnings, "dial can never show what is not in the capture: level (1A0, page 3)")

	var b strings.Builder
	for i := range 1000 { // 111 bits a millisecond
		fmt.Fprintf(&b, "(1700000000.%06d) can0 120#1122334455667788\n", i*1000)
	}
	require.NoError(t, os.WriteFile("drive.log", []byte(b.String()), 0o644))
	require.Contains(t, open(t, "mine.yaml", "bus.bitrate=100kbit/s").Warnings, "drive.log holds 111 % of what a bus of this bit rate can carry: is bus.bitrate right?")
}

// What is guessed about a CSV file is said.
func TestGuessesAreSaid(t *testing.T) {
	inFolder(t)
	require.NoError(t, os.WriteFile("ticks.csv", []byte("time,id,data\n0,120,00\n20,120,01\n40,120,02\n9000,120,03\n"), 0o644))
	require.Contains(t, open(t, "mine.yaml", "bus.capture=ticks.csv").Warnings, "ticks.csv: time: column 1, in us, a guess by the values: state the unit if it is wrong")
	require.NotContains(t, strings.Join(open(t, "mine.yaml", "bus.capture=ticks.csv", "bus.capture.time_unit=ms").Warnings, "\n"), "column 1")
}

// Several files are one drive, named together.
func TestSeveralCaptures(t *testing.T) {
	inFolder(t)
	var names []string
	for i := range 5 {
		text := strings.ReplaceAll(driveLog{until: 4 * time.Second}.text(), "(170000000", fmt.Sprintf("(17000000%d", i))
		names = append(names, fmt.Sprintf("%d.log", i))
		require.NoError(t, os.WriteFile(names[i], []byte(text), 0o644))
	}
	list := "bus.capture=[" + strings.Join(names, ", ") + "]"
	p := open(t, "mine.yaml", list)
	require.Equal(t, "0.log, 1.log, 2.log and 2 more", p.Bus.Capture.Name)
	require.EqualValues(t, 5*244, p.Bus.Capture.Summary.Report.Frames)
	require.EqualValues(t, 4, p.Bus.Capture.Summary.Report.Gaps)
	require.Len(t, reads(t, p, 3, 2000), 2000)
	require.Contains(t, p.Assumptions, Assumption{Key: "bus.capture.file", Value: "0.log, 1.log, 2.log and 2 more", Origin: "command line"})
	for set, says := range map[string]string{
		"bus.capture=[1.log, 0.log]":  `bus.capture.file.1: found "0.log": 0.log begins 13.9`,
		"bus.capture=[0.log, ]":       "",
		"bus.capture=[]":              "an empty list of files",
		"bus.capture=[0.log, {a: 1}]": "bus.capture.file.1: found a block of keys",
		"bus.capture={file: 0.log, columns: {t: 1}, line_template: '(?P<t>.)(?P<id>.)(?P<data>.)'}": "stands beside bus.capture.columns",
	} {
		_, err := Open("mine.yaml", []string{set})
		if says == "" {
			require.NoError(t, err, set)
			continue
		}
		require.ErrorContains(t, err, says, set)
	}
}

// Frames of one identifier that differ in length do not go with slots.
func TestCaptureUnevenLengths(t *testing.T) {
	inFolder(t)
	text := driveLog{until: 4 * time.Second}.text() + "(1700000004.000000) can0 120#11\n"
	require.NoError(t, os.WriteFile("drive.log", []byte(text), 0o644))
	require.Contains(t, open(t, "mine.yaml", "bridge.layout=slot").Warnings, "the layout slot carries one length an identifier, the longest; shorter frames are lost: 120 (1 to 8 bytes)")
	require.Len(t, open(t, "mine.yaml").Warnings, 2)
}

// Without a loop the run lasts as long as the capture, and offsets are drawn from
// what a shorter one leaves over.
func TestCaptureWithoutLoop(t *testing.T) {
	inFolder(t)
	p := open(t, "mine.yaml", "bus.capture.loop=false")
	_, end := p.Window()
	require.Equal(t, 19980*ms, end)
	require.Zero(t, p.Bus.Capture.Offsets)
	p = open(t, "mine.yaml", "bus.capture.loop=false", "duration=5s")
	require.Equal(t, 13980*ms, p.Bus.Capture.Offsets)
	require.NotEqual(t, reads(t, p, 0, 200), reads(t, p, 1, 200))
	p = open(t, "mine.yaml", "bus.capture={loop: false, offset: 4s}")
	_, end = p.Window()
	require.Equal(t, 15980*ms, end)
}

// A signal that comes rarely asks for a long window, but one round of the capture
// is all there is to see.
func TestCaptureWindow(t *testing.T) {
	inFolder(t)
	driveLog{until: 100 * time.Second}.write(t, "drive.log")
	p := open(t, "mine.yaml", "bus.messages.Drive.id=333")
	require.Equal(t, time.Second, p.Receivers[0].Shows[0].Period)
	_, end := p.Window()
	require.Equal(t, 62*time.Second, end, "2 s and the shortest window")
	text := driveLog{until: 100 * time.Second}.text()
	text = strings.NewReplacer("00.002000) can1", "00.002000) can0", "33.002000) can1 333", "33.002000) can1 444", "66.002000) can1 333", "66.002000) can1 444").Replace(text)
	require.NoError(t, os.WriteFile("drive.log", []byte(text), 0o644))
	p = open(t, "mine.yaml", "bus.messages.Drive.id=444")
	require.Equal(t, 33*time.Second, p.Receivers[0].Shows[0].Period)
	_, end = p.Window()
	require.Equal(t, 66*time.Second+p.Bus.Capture.Round, end)
}

// Show says how the capture was read, and prints a scenario again.
func TestShowCapture(t *testing.T) {
	inFolder(t)
	for _, defaults := range []bool{false, true} {
		var b strings.Builder
		require.NoError(t, Show(&b, "mine.yaml", defaults))
		require.Contains(t, b.String(), "# The capture drive.log: SocketCAN text log, 1220 frames in 19.98s, 3 identifiers\n# channels read as if")
		require.Contains(t, b.String(), "# Drive, identifier 120, 8 bytes, in the capture every 20ms in the mean\n")
		again, err := Load("mine.yaml", []byte(b.String()), nil)
		require.NoError(t, err)
		require.Equal(t, bare(open(t, "mine.yaml")), bare(again))
	}
}
