package radio

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// bitsOfText reads 1 as received, 0 as lost.
func bitsOfText(s string) (received []bool) {
	for _, c := range s {
		received = append(received, c == '1')
	}
	return received
}

// traceOf returns a trace of samples every spacing; a blank leaves one out.
func traceOf(t *testing.T, s string, spacing time.Duration) *Trace {
	var samples []Sample
	for i, c := range s {
		if c != ' ' {
			samples = append(samples, Sample{time.Duration(i) * spacing, c == '1'})
		}
	}
	trace, err := NewTrace(samples)
	require.NoError(t, err)
	return trace
}

// The trace of Chydzinski 2021 (Informatica): 16 packets, a quarter lost in runs
// of 1 and 3, burst ratio 1.5; and packets 1, 4 and 6 of six received: two bursts
// of 2 and 1. The chances count pairs of neighbours (Yajnik et al. 1999).
func TestTwoStateFit(t *testing.T) {
	f := FitTwoState(bitsOfText("1101111100011111"))
	require.Equal(t, 0.25, f.Loss)
	require.Equal(t, []int{1, 3}, f.Runs)
	require.Equal(t, 2.0, f.MeanRun())
	require.Equal(t, 1.5, f.BurstRatio())
	require.InDelta(t, 2.0/11, f.ToBad, 1e-12)
	require.InDelta(t, 0.5, f.ToGood, 1e-12)
	require.Equal(t, []int{2, 1}, FitTwoState(bitsOfText("100101")).Runs)
	none := FitTwoState(nil)
	require.Equal(t, [4]float64{0, 0, 1, 0}, [4]float64{none.Loss, none.ToBad, none.ToGood, none.MeanRun()})
	require.Equal(t, 1.0, FitTwoState(bitsOfText("000")).Loss)
}

// A broadcast takes the outcome of the nearest sample, the earlier of two as
// near, and the trace goes round.
func TestTraceTakesTheNearestSample(t *testing.T) {
	trace := traceOf(t, "1011", 10*ms)
	require.Equal(t, 40*ms, trace.Length())
	require.Equal(t, 10*ms, trace.Spacing())
	require.Zero(t, trace.Filled())
	r := &replay{trace: trace, hole: -1}
	for at, want := range map[time.Duration]bool{
		0: true, 5 * ms: true, 5*ms + 1: false, 15 * ms: false, 15*ms + 1: true, 39 * ms: true, 45 * ms: true, 46 * ms: false, 4_000_046 * ms: false,
	} {
		require.Equal(t, want, r.received(at), "%v", at)
	}
	require.True(t, traceOf(t, "10", 10*ms).received(16*ms, nil), "nearer to the next pass")
}

// Asked about as weather: losses are those of the trace from a random place on,
// and everything else comes on top.
func TestTraceAsWeather(t *testing.T) {
	const text = "1101111100011111"
	starts := map[string]int{}
	runs := 4000
	for seed := range uint64(runs) {
		f := NewFading(Weather{Trace: traceOf(t, text, 10*ms), Outages: []Span{{time.Second, 2 * time.Second}}}, streams(seed)("weather", 0), seed)
		var got strings.Builder
		for k := range 32 {
			if f.Hear(time.Duration(k)*10*ms, time.Duration(k)*10*ms+ms) == Heard {
				got.WriteByte('1')
			} else {
				got.WriteByte('0')
			}
		}
		require.Contains(t, text+text+text, got.String()[:16])
		require.Equal(t, got.String()[:16], got.String()[16:])
		starts[got.String()[:16]]++
		require.Equal(t, Outage, f.Hear(1500*ms, 1501*ms))
	}
	require.Len(t, starts, 16)
	for start, n := range starts {
		require.InDelta(t, 1.0/16, float64(n)/float64(runs), 4.5*shareError(1.0/16, runs), start)
	}
}

// A hole is filled by the chain of the rest: of 200 000 filled samples the share
// lost is p/(p+r), and what fills it does not depend on which of it is asked for.
func TestHolesAreFilledByTheChain(t *testing.T) {
	const text = "11011111000111111101111100011111"
	var samples []Sample
	for i, c := range text {
		at := time.Duration(i) * 10 * ms
		if i >= 16 {
			at += 2000 * time.Second // 200 000 samples
		}
		samples = append(samples, Sample{at, c == '1'})
	}
	trace, err := NewTrace(samples)
	require.NoError(t, err)
	fit := trace.Fit()
	require.Equal(t, 0.25, fit.Loss)
	require.InDelta(t, 4.0/22, fit.ToBad, 1e-12, "no pair across the hole")
	require.InDelta(t, 0.5, fit.ToGood, 1e-12)
	require.InDelta(t, 2000.0/2000.32, trace.Filled(), 1e-6)

	whole := newReplay(trace, streams(1)("weather", 0))
	whole.offset = 0
	lost, n := 0, 200_000
	var every []bool
	for k := range n {
		every = append(every, whole.received(150*ms+time.Duration(k+1)*10*ms))
		if !every[k] {
			lost++
		}
	}
	share := fit.ToBad / (fit.ToBad + fit.ToGood)
	inflation := rootOf((2 - fit.ToBad - fit.ToGood) / (fit.ToBad + fit.ToGood)) // of the error, by correlation
	require.InDelta(t, share, float64(lost)/float64(n), 4*shareError(share, n)*inflation)
	some := newReplay(trace, streams(1)("weather", 0))
	some.offset = 0
	for k := 0; k < n; k += 37 {
		require.Equal(t, every[k], some.received(150*ms+time.Duration(k+1)*10*ms))
	}
}

func TestTraceMistakes(t *testing.T) {
	for _, c := range []struct {
		samples []Sample
		want    string
	}{
		{nil, "trace: 0 samples, want 2 to 10000000"},
		{[]Sample{{0, true}, {0, true}}, "trace: 0s behind 0s, want times that grow"},
		{[]Sample{{0, true}, {10 * us, true}}, "trace: a median spacing of 10µs, want at least 100µs"},
		{[]Sample{{-longestBurst, true}, {1, true}}, "trace: samples from -87600h0m0s to 1ns, want at most 87600h0m0s"},
		{[]Sample{{0, true}, {ms, true}, {2 * ms, true}, {5 * time.Hour, true}}, "trace: holes of 17999997 samples, want at most 10000000 to be filled"},
	} {
		_, err := NewTrace(c.samples)
		require.EqualError(t, err, c.want)
	}
	require.EqualError(t, Weather{Loss: 0.1, Burst: ms, Trace: traceOf(t, "101", ms)}.Check(), "trace: given, want none beside loss, burst, good_loss or bad_loss")
}

func TestReadTrace(t *testing.T) {
	trace, err := ReadTrace("a.csv", strings.NewReader("\ufefft_s, received\r\n0.5,1\n\n0.51, 0\n0.52,1\n"), 0)
	require.NoError(t, err)
	require.Equal(t, 30*ms, trace.Length())
	require.InDelta(t, 1.0/3, trace.Fit().Loss, 1e-12)
	trace, err = ReadTrace("b.csv", strings.NewReader("received\n1\n0\n1\n1"), 20*ms)
	require.NoError(t, err)
	require.Equal(t, 80*ms, trace.Length())
	for text, want := range map[string]string{
		"":                       "x.csv:1:1: found no header, expected t_s,received or received",
		"time,ok\n1,1\n":         "x.csv:1:1: found header \"time,ok\", expected t_s,received or received",
		"received\n1\n1\n":       "x.csv:1:1: found no column t_s, and a period of 0s, expected a column t_s, or the period from one broadcast to the next, from 1ns to 87600h0m0s",
		"t_s,received\n0,1\n":    "x.csv: trace: 1 samples, want 2 to 10000000",
		"t_s,received\n0,1\n0,1": "x.csv:3:1: found time 0, expected more than the 0s before it",
		"t_s,received\nNaN,1\n1,yes\n2\n3,1,1\n-1,0\n": "x.csv:2:1: found time \"NaN\", expected seconds from 0 to 315360000\nx.csv:3:3: found received \"yes\", expected 1 or 0\n" +
			"x.csv:4:1: found 1 fields, expected 2\nx.csv:5:1: found 3 fields, expected 2\nx.csv:6:1: found time \"-1\", expected seconds from 0 to 315360000",
		"t_s,received\n" + strings.Repeat("9", 5000): "x.csv:2:1: found a longer line, expected at most 4096 bytes",
	} {
		_, err := ReadTrace("x.csv", strings.NewReader(text), 0)
		require.EqualError(t, err, want)
	}
	_, err = ReadTrace("x.csv", strings.NewReader("t_s,received\n0,1\n1,1\n"), ms)
	require.EqualError(t, err, "x.csv:1:1: found the column t_s and a send period, expected only one of them")
	_, err = ReadTrace("x.csv", strings.NewReader("t_s,received\n"+strings.Repeat("x,1\n", 100)), 0)
	require.Len(t, strings.Split(err.Error(), "\n"), mostTraceErrors)
}

// A trace file is refused with the place of each mistake, or read so that what
// comes out says again what went in.
func FuzzReadTrace(f *testing.F) {
	for _, s := range []string{"t_s,received\n0,1\n0.1,0\n9,1\n", "received\n1\n0\n", "t_s,received\n1e9,1\n-0,0\n", "received\r\n1\r\n\r\n0", "\ufeffreceived\n1\n1"} {
		f.Add(s, int64(0))
		f.Add(s, int64(20*ms))
	}
	f.Fuzz(func(t *testing.T, text string, period int64) {
		trace, err := ReadTrace("f", strings.NewReader(text), time.Duration(period))
		if err != nil {
			require.Nil(t, trace)
			for _, line := range strings.Split(err.Error(), "\n") {
				require.True(t, strings.HasPrefix(line, "f:"), line)
			}
			return
		}
		require.GreaterOrEqual(t, trace.Spacing(), traceSpacing)
		var again strings.Builder
		again.WriteString("t_s,received\n")
		for _, s := range trace.samples {
			fmt.Fprintf(&again, "%.9f,%d\n", s.At.Seconds(), map[bool]int{false: 0, true: 1}[s.Received])
		}
		if trace.length > 1e6*time.Second {
			return // the seconds of the text have no nanoseconds left
		}
		twin, err := ReadTrace("f", strings.NewReader(again.String()), 0)
		require.NoError(t, err)
		require.Equal(t, trace, twin)
	})
}

// The illustrative positions are possible weathers.
func TestPositions(t *testing.T) {
	require.Len(t, Positions(), 3)
	for _, p := range Positions() {
		require.NoError(t, p.Weather.Check(), p.Name)
		require.NotEmpty(t, p.What)
	}
	require.Contains(t, PositionsAre, "illustrative")
}

// A receiver that looks for other channels now and then misses what overlaps.
func TestScansOfOtherChannels(t *testing.T) {
	f := NewFading(Weather{Away: 20 * ms, AwayEvery: 100 * ms, AwayFrom: 50 * ms}, streams(1)("weather", 0), 1)
	for _, c := range []struct {
		begin, end time.Duration
		want       Outcome
	}{
		{0, ms, Heard}, {40 * ms, 50 * ms, Heard}, {49 * ms, 51 * ms, Outage}, {60 * ms, 61 * ms, Outage}, {70 * ms, 71 * ms, Heard},
		{149 * ms, 150 * ms, Heard}, {149 * ms, 150*ms + 1, Outage}, {10_069 * ms, 10_070 * ms, Outage}, {10_070 * ms, 10_071 * ms, Heard},
	} {
		require.Equal(t, c.want, f.Hear(c.begin, c.end), "%+v", c)
	}
	require.EqualError(t, Weather{Away: 2, AwayEvery: 1, AwayFrom: 1}.Check(), "away: 2ns, want a time up to away_every (1ns)\naway_from: 1ns, want a time from 0 to below away_every (1ns)")
}
