package study

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The printed 95 % intervals cover the known answer as often as they say.
func TestIntervalsCoverTheKnownAnswer(t *testing.T) {
	runs, replications := counts(200, 1000), 20
	least, most := .90, .99
	if runs == 1000 {
		least, most = .92, .97
	}
	world := display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 600, limit: 250 * time.Millisecond, quantile: .95}
	// Recomputed figures of the chain: the checker itself must be right.
	require.InDelta(t, .72222e-1, world.mean(), 5e-7)
	require.InDelta(t, .2202, world.quantileAge(.95), 5e-5)
	require.InDelta(t, .4887, world.quantileAge(.99), 5e-5)
	require.InDelta(t, .042625, world.over(world.limit), 1e-12)

	hits := map[string]int{}
	for i := range runs {
		world.seed = uint64(1000 + i)
		r, err := Run(context.Background(), world.plan(replications), Options{replicate: world.run})
		require.NoError(t, err)
		s := &r.Receivers[0].Signals[0]
		for name, c := range map[string]struct {
			v     Value
			truth float64
		}{
			"mean": {s.Age.Mean, world.mean()}, "share over the limit": {s.OverLimit, world.over(world.limit)},
			"p50": {s.Age.P50, world.quantileAge(.5)}, "p95": {s.Age.P95, world.quantileAge(.95)}, "p99": {s.Age.P99, world.quantileAge(.99)},
			"mean peak": {s.PeakAge.Mean, .1 / .9}, "mean update interval": {s.UpdateInterval.Mean, .1 / .9},
		} {
			require.True(t, c.v.Interval)
			require.LessOrEqual(t, c.v.Low, c.v.Value, name)
			require.LessOrEqual(t, c.v.Value, c.v.High, name)
			if c.v.Low <= c.truth && c.truth <= c.v.High {
				hits[name]++
			}
		}
	}
	for name, n := range hits {
		covered := float64(n) / float64(runs)
		t.Logf("%s: %.3f", name, covered)
		require.GreaterOrEqual(t, covered, least, name)
		require.LessOrEqual(t, covered, most, name)
	}
	require.Len(t, hits, 7)
}

// With the truth exactly on the limit every decision is wrong; looking six times
// must not make more than 5 % of them. A replication is a minute, with 15 episodes
// or so; with a third of that the skew of their sum lets the first looks decide
// too early, in 7 to 8 % of the runs.
func TestLooksDecideWronglyInFewRuns(t *testing.T) {
	runs := counts(12, 2000)
	world := display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 600, limit: 250 * time.Millisecond}
	world.quantile = 1 - world.over(world.limit)
	wrong := 0
	for i := range runs {
		world.seed = uint64(5000 + i)
		r, err := Run(context.Background(), world.plan(1), Options{replicate: world.run, Sequential: true})
		require.NoError(t, err)
		if r.Receivers[0].Signals[0].Verdict != Undecided {
			wrong++
		} else {
			require.Equal(t, []int{10, 20, 40, 80, 160, 320}, r.Looks)
		}
	}
	// Five percent, and in the short form what its own error allows on top.
	require.LessOrEqual(t, wrong, max(counts(3, 0), runs*5/100))
}
