package study

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
)

// judgedSignal runs a world and returns its only signal.
func judgedSignal(t *testing.T, d display, replications int) Signal {
	t.Helper()
	r, err := Run(context.Background(), d.plan(replications), Options{replicate: d.run})
	require.NoError(t, err)
	return r.Receivers[0].Signals[0]
}

func TestVerdicts(t *testing.T) {
	world := display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 600, limit: 250 * time.Millisecond, quantile: .9, seed: 2}
	for _, c := range []struct {
		name    string
		change  func(*display)
		verdict Verdict
		why     string
	}{
		{"4 % over, 10 % allowed", func(d *display) {}, Met, ""},
		{"4 % over, 1 % allowed", func(d *display) { d.quantile = .99 }, Missed, "older than the limit "},
		{"4 % over, 4 % allowed", func(d *display) { d.quantile = 1 - .0426 }, Undecided, "older than the limit "},
		{"no limit", func(d *display) { d.limit = 0 }, NoLimit, ""},
		{"unknown too long", func(d *display) { d.unknown = .3 }, Missed, "unknown 30 %"},
		{"never shown", func(d *display) { d.unknown = 2 }, Missed, "never shown"},
		{"too old on the bus", func(d *display) { d.busDelay = 200 * time.Millisecond }, Missed, "no bridge can meet this"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := world
			c.change(&d)
			s := judgedSignal(t, d, 12)
			require.Equal(t, c.verdict, s.Verdict, "%+v", s.OverLimit)
			require.Contains(t, s.Why, c.why)
			if c.why == "" {
				require.Empty(t, s.Why)
			}
			require.Equal(t, c.verdict == Undecided, s.MoreTime > 0)
		})
	}
}

// The further time that is foretold decides, give or take the luck of the draw.
func TestMoreTimeDecides(t *testing.T) {
	world := display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 600, limit: 250 * time.Millisecond, quantile: 1 - .048, seed: 3}
	s := judgedSignal(t, world, 10)
	require.Equal(t, Undecided, s.Verdict)
	perReplication := seconds(800 * world.period)
	replications := 10 + int(s.MoreTime/perReplication)
	require.Greater(t, replications, 20)
	require.Less(t, replications, 2000)
	// The estimate rests on the value seen; three times it leaves room for its error.
	s = judgedSignal(t, world, 3*replications)
	require.Equal(t, Met, s.Verdict)
	// By the formula: half-width over distance, squared.
	v := Value{Defined: true, Interval: true, Value: .04, Low: .02, High: .06}
	require.InDelta(t, 4, longer(v, .05), 1e-12)
	require.InDelta(t, 4, longer(v, .03), 1e-12)
	require.True(t, math.IsInf(longer(v, .04), 1))
	v.Value = 1. / 20
	require.True(t, math.IsInf(longer(v, 1-.95), 1), "but for the rounding")
}

// Of starts of which none was late, the fewest that decide are told, neither fewer
// nor more: 29 for nine in ten, 59 for 95 % (Hahn, Meeker, "Statistical Intervals").
func TestMoreStartsDecide(t *testing.T) {
	for quantile, starts := range map[float64]int{.9: 29, .95: 59, .99: 299} {
		s := Signal{Late: Value{Defined: true, Interval: true, High: NoneOf(10, .05)}}
		s.Shown.Limit = &scenarios.Limit{Of: scenarios.OfFirstPicture, Quantile: quantile}
		s.judgeTrials(10*60, 60)
		require.Equal(t, Undecided, s.Verdict)
		require.Equal(t, starts, 10+int(s.MoreTime/60))
		require.LessOrEqual(t, NoneOf(starts, .05), 1-quantile)
		require.Greater(t, NoneOf(starts-1, .05), 1-quantile)
	}
}

func TestASingleReplicationHasNoInterval(t *testing.T) {
	world := display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 6000, limit: 250 * time.Millisecond, quantile: .5, seed: 4}
	s := judgedSignal(t, world, 1)
	require.True(t, s.Age.Mean.Defined)
	require.False(t, s.Age.Mean.Interval)
	require.True(t, math.IsNaN(s.Age.P95.Low))
	require.Equal(t, Undecided, s.Verdict)
	require.Contains(t, s.Why, "run two or more")

	// Without an episode the bound of none seen decides all the same.
	world.toBad, world.out = 0, 1
	s = judgedSignal(t, world, 1)
	require.Equal(t, Met, s.Verdict)
	require.True(t, s.OverLimit.Interval)
}

// Nothing seen: 3.0 episodes at most, 4.8 with looks, each as long as the slowest
// thing on the way.
func TestBoundsWithoutAnEpisode(t *testing.T) {
	world := display{period: 100 * time.Millisecond, out: 1, updates: 600, limit: 250 * time.Millisecond, quantile: .95}
	plan := world.plan(10)
	plan.Receivers[0].Redraw = 150 * time.Millisecond
	plan.Receivers[0].Weather.Loss, plan.Receivers[0].Weather.Burst = .1, 180*time.Millisecond
	for _, c := range []struct {
		options  Options
		episodes float64
	}{{Options{}, 3.0}, {Options{Sequential: true}, 4.8}} {
		c.options.replicate = world.run
		r, err := Run(context.Background(), plan, c.options)
		require.NoError(t, err)
		s := r.Receivers[0].Signals[0]
		require.Equal(t, Met, s.Verdict)
		require.Zero(t, s.OverLimit.Value)
		require.Zero(t, s.OverLimit.Low)
		require.InDelta(t, c.episodes*.18/600, s.OverLimit.High, .005*c.episodes*.18/600+1e-5)
		require.InDelta(t, c.episodes*6, s.Violations.High, .05*6)
		require.Equal(t, "the mean bad time of the radio, 180ms", s.BoundBasis)
		require.Positive(t, s.MeanOverage.High)
	}
}

func TestFewEpisodesHaveThePoissonInterval(t *testing.T) {
	e := excess{over: 10 * time.Second, violations: 5, observed: time.Hour}
	for range 4 {
		e.share.add(2.5, 900)
		e.rate.add(1.25, .25)
		e.overage.add(1, 900)
	}
	share, rate, _ := e.figures(1, .05)
	// Garwood 1936: 5 seen, 1.623 to 11.668.
	require.InDelta(t, 1.623, rate.Low, 1e-3)
	require.InDelta(t, 11.668, rate.High, 1e-3)
	require.Equal(t, 5., rate.Value)
	require.InDelta(t, 1.623*2/3600, share.Low, 1e-6, "times the mean episode seen")
	require.InDelta(t, 11.668*2/3600, share.High, 1e-6)
	share, _, _ = e.figures(20, .05)
	require.InDelta(t, 1.623*2/3600, share.Low, 1e-6, "a longer episode is no reason to raise the lower end")
	require.InDelta(t, 11.668*20/3600, share.High, 1e-5)
	e.violations = 20
	share, rate, _ = e.figures(20, .05)
	require.Equal(t, share.Value, share.High, "from 20 on the replications speak, here all equal")
	require.Equal(t, 5., rate.Low)
}

func TestPercent(t *testing.T) {
	for x, want := range map[float64]string{1 - .99: "1 %", 0: "0 %", 1: "100 %", .042625: "4.26 %", 1e-7: "1e-05 %", .30001: "30 %"} {
		require.Equal(t, want, percent(x))
	}
}
