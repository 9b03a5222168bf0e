package capture

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

var _ bus.Source = (*Replay)(nil)

// source is a message of a capture made for a test.
type source struct {
	id             int
	first, period  time.Duration
	from, until    time.Duration // 0 = whole capture
	jitterNumbered time.Duration // added to every other frame
}

// recording returns a text log of the sources up to a time.
func recording(span time.Duration, sources ...source) string {
	type stamped struct {
		at   time.Duration
		text string
	}
	var frames []stamped
	for _, s := range sources {
		n := 0
		for at := s.first + s.from; at <= span && (s.until == 0 || at <= s.until); at += s.period {
			t := at
			if n%2 == 1 {
				t += s.jitterNumbered
			}
			frames = append(frames, stamped{t, line(t, fmt.Sprintf("%03X#%04X", s.id, n))})
			n++
		}
	}
	slices.SortStableFunc(frames, func(a, b stamped) int { return int(a.at - b.at) })
	var b strings.Builder
	for _, f := range frames {
		b.WriteString(f.text)
	}
	return b.String()
}

func opener(text string) func() (*Reader, error) {
	return func() (*Reader, error) { return NewReader("drive.log", strings.NewReader(text), Options{}) }
}

// timesByID replays and returns the times of every identifier; it checks that
// time never goes back.
func timesByID(t *testing.T, p *Replay) map[bus.ID][]time.Duration {
	t.Helper()
	times := map[bus.ID][]time.Duration{}
	var f bus.Frame
	var last time.Duration
	for p.Next(&f) {
		require.GreaterOrEqual(t, f.At, last)
		require.Equal(t, f.At, f.Released)
		require.Equal(t, int32(-1), f.Message)
		last = f.At
		times[f.ID] = append(times[f.ID], f.At)
	}
	require.NoError(t, p.Err())
	require.NoError(t, p.Close())
	return times
}

// Periods that divide the round stay exact over every join.
func TestLoopKeepsPeriodsExactly(t *testing.T) {
	text := recording(10*time.Second+3*ms,
		source{id: 0x100, period: 10 * ms},
		source{id: 0x200, first: 7 * ms, period: 20 * ms},
		source{id: 0x300, first: 33 * ms, period: 100 * ms})
	p, err := NewReplay(opener(text), ReplayOptions{Loop: true, Until: 100 * time.Second})
	require.NoError(t, err)
	require.Equal(t, 10*time.Second+0*ms, p.round)
	for id, times := range timesByID(t, p) {
		period := map[bus.ID]time.Duration{0x100: 10 * ms, 0x200: 20 * ms, 0x300: 100 * ms}[id]
		require.Len(t, times, int(100*time.Second/period), "%v", id)
		for i := 1; i < len(times); i++ {
			require.Equal(t, period, times[i]-times[i-1], "%v frame %d at %v", id, i, times[i])
		}
	}
	require.Equal(t, int64(9), p.Rounds())
}

// Periods that divide nothing: the join is within half a period of the mean
// period, everywhere else the capture is as it was, and the mean over many rounds
// is within p/2L of p.
func TestLoopKeepsMeanPeriods(t *testing.T) {
	sources := []source{
		{id: 0x100, first: 3 * ms, period: 9_700_001},
		{id: 0x101, first: 1 * ms, period: 31_300_007, jitterNumbered: 2 * ms},
		{id: 0x102, first: 77 * ms, period: 103 * ms},
		{id: 0x103, first: 500 * ms, period: 997 * ms},
	}
	text := recording(60*time.Second, append(sources, source{id: 0x7, first: 20 * time.Second, period: 30 * time.Second})...)
	r, err := opener(text)()
	require.NoError(t, err)
	whole, err := Summarize(r)
	require.NoError(t, err)
	p, err := NewReplay(opener(text), ReplayOptions{Loop: true, Until: 20 * time.Minute, Summary: &whole})
	require.NoError(t, err)
	round := p.round
	require.InDelta(t, float64(whole.Span), float64(round), 0.05*float64(whole.Span))
	times := timesByID(t, p)
	for _, s := range sources {
		got := times[bus.ID(s.id)]
		for i := 1; i < len(got); i++ {
			step := got[i] - got[i-1]
			// Reading the stamps in between is exact but for the jitter planted.
			slack := 2*s.jitterNumbered + 10
			require.GreaterOrEqual(t, step, s.period/2-slack, "%X at %v", s.id, got[i])
			require.LessOrEqual(t, step, s.period*3/2+slack, "%X at %v", s.id, got[i])
		}
		mean := float64(got[len(got)-1]-got[0]) / float64(len(got)-1)
		// p/2L by the whole number of periods in a round; as much again because
		// the last round is not whole.
		require.InEpsilon(t, float64(s.period), mean, 1.01*float64(s.period)/float64(round), "%X", s.id)
	}
	// A rare identifier keeps its frames: two a round.
	rare := times[0x7]
	require.Equal(t, []time.Duration{rare[0] + round, rare[1] + round}, rare[2:4])
}

// A loop without any steady identifier goes on at the mean distance of frames.
func TestLoopOfRareFrames(t *testing.T) {
	text := line(0, "100#00") + line(ms, "101#00") + line(3*ms, "102#00")
	p, err := NewReplay(opener(text), ReplayOptions{Loop: true, Until: 10 * ms})
	require.NoError(t, err)
	require.Equal(t, []string{"0 100 [1] 00", "1000000 101 [1] 00", "3000000 102 [1] 00",
		"4500000 100 [1] 00", "5500000 101 [1] 00", "7500000 102 [1] 00", "9000000 100 [1] 00"}, all(p))
	_, err = NewReplay(opener(line(0, "100#00")), ReplayOptions{Loop: true})
	require.EqualError(t, err, "drive.log: all frames have the same time: the capture cannot be looped")
}

// A few nanoseconds are no drive: more frames than nanoseconds gave a round of 0.
func TestLoopOfHardlyAnyTime(t *testing.T) {
	var log strings.Builder
	for i := range 30 {
		fmt.Fprintf(&log, "(1.%09d) can0 123#%02X\n", i/8, i)
	}
	path := filepath.Join(t.TempDir(), "drive.log")
	require.NoError(t, os.WriteFile(path, []byte(log.String()), 0o600))
	s, err := Scan(path, Options{})
	require.NoError(t, err)
	require.EqualValues(t, 30, s.Report.Frames)
	_, err = s.Round()
	require.ErrorContains(t, err, "the capture lasts 3ns, too short to be looped")
}

func TestReplayOffset(t *testing.T) {
	text := recording(time.Second, source{id: 0x100, period: 100 * ms})
	p, err := NewReplay(opener(text), ReplayOptions{Offset: 750 * ms})
	require.NoError(t, err)
	require.Equal(t, []string{"50000000 100 [2] 0008", "150000000 100 [2] 0009", "250000000 100 [2] 000A"}, all(p))
	require.NoError(t, p.Err())

	p, err = NewReplay(opener(text), ReplayOptions{Offset: 750 * ms, Until: 250 * ms})
	require.NoError(t, err)
	require.Len(t, all(p), 2)

	_, err = NewReplay(opener(text), ReplayOptions{Offset: 2 * time.Second})
	require.EqualError(t, err, "drive.log ends after 1s: the offset 2s lies behind it")

	long := recording(10*time.Second, source{id: 0x100, period: 100 * ms})
	for _, offset := range []time.Duration{0, 3*time.Second + 50*ms, 9*time.Second + 990*ms, 33 * time.Second} {
		p, err = NewReplay(opener(long), ReplayOptions{Offset: offset, Loop: true, Until: 30 * time.Second})
		require.NoError(t, err)
		times := timesByID(t, p)[0x100]
		for i := 1; i < len(times); i++ {
			require.Equal(t, 100*ms, times[i]-times[i-1], "offset %v", offset)
		}
		require.Less(t, times[0], 100*ms)
		require.Greater(t, times[len(times)-1], 30*time.Second-101*ms)
	}
}

// A replay without a loop at offset 0 is the capture.
func TestReplayIsTheCapture(t *testing.T) {
	text, _ := ordinary(2000)
	want, _ := read(t, string(text), Options{})
	p, err := NewReplay(opener(string(text)), ReplayOptions{})
	require.NoError(t, err)
	require.Equal(t, want, all(p))
}

// The capture may vanish or change under a loop: that is an error, not a panic.
func TestReplayOfVanishedFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "drive.log")
	require.NoError(t, os.WriteFile(path, []byte(recording(time.Second, source{id: 0x100, period: 10 * ms})), 0o600))
	f, err := NewFile(path, nil, Options{})
	require.NoError(t, err)
	p, err := NewReplay(f.Open, ReplayOptions{Loop: true})
	require.NoError(t, err)
	require.NoError(t, os.Remove(path))
	var frame bus.Frame
	for p.Next(&frame) {
	}
	require.ErrorIs(t, p.Err(), os.ErrNotExist)
	require.False(t, p.Next(&frame))
	require.Error(t, p.Close())
	require.Panics(t, func() { _, _ = NewReplay(f.Open, ReplayOptions{Offset: -1}) })
}
