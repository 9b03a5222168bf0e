package sim

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Every scenario that comes with the program closes its ledgers.
func TestLedgersCloseOnBuiltins(t *testing.T) {
	for _, b := range scenarios.Builtins() {
		t.Run(b.Name, func(t *testing.T) {
			plan, err := scenarios.Open(b.Name, nil)
			require.NoError(t, err)
			if !long() {
				plan.Duration = 20 * time.Second
			}
			r, err := Run(plan, 0)
			require.NoError(t, err)
			require.NotZero(t, r.Frames)
			require.NotZero(t, r.Records)
			requireClosedLedgers(t, r)
		})
	}
}

// On every radio profile, also where it is far too slow for the job.
func TestLedgersCloseOnEveryProfile(t *testing.T) {
	for _, p := range radio.Profiles() {
		t.Run(p.Name, func(t *testing.T) {
			for _, name := range []string{"orchard", "kart-grid"} { // a lone bridge, and several
				plan, err := scenarios.Open(name, []string{"radio.profile=" + p.Name})
				require.NoError(t, err)
				plan.Duration = 20 * time.Second
				r, err := Run(plan, 0)
				require.NoError(t, err)
				require.NotZero(t, r.Records)
				requireClosedLedgers(t, r)
			}
		})
	}
}

// Two designs meet the same traffic and the same fading. So their difference
// varies much less than the designs themselves: table every 50 ms against the
// same with one repeat 5 ms later, in bursts of 100 ms.
func TestCommonStreamsPairTheDesigns(t *testing.T) {
	n := 40
	if long() {
		n = 400
	}
	design := func(copies int) *scenarios.Plan {
		plan := bare(20*ms, time.Minute, radio.Weather{Loss: 0.08, Burst: 100 * ms})
		plan.Bridge.Policy = bridge.Policy{Kind: bridge.Table, Every: 50 * ms}
		plan.Bridge.Repeat = bridge.Repeat{Copies: copies, Spacing: 5 * ms}
		return plan
	}
	mean := func(plan *scenarios.Plan, replication int) float64 {
		r, err := Run(plan, replication)
		require.NoError(t, err)
		return r.Receivers[0].Signals[0].Glass.Mean() / 1e9
	}
	once, twice := design(1), design(2)
	var common, independent sample
	for i := range n {
		a := mean(once, i)
		common.add(a - mean(twice, i))
		independent.add(a - mean(twice, n+i))
	}
	ratio := independent.standardError() / common.standardError()
	// The ratio of two variances of n values has a relative standard error of
	// 2/sqrt(n) at most: the true ratio lies far above what is asked for.
	require.Greater(t, ratio*ratio, 10.0)
	require.Positive(t, common.mean(), "a repeat cannot make values older here")
}

// Memory does not grow with the simulated time.
func TestMemoryDoesNotGrowWithTime(t *testing.T) {
	short, longer := 10*time.Minute, 20*time.Minute
	if long() {
		short, longer = time.Hour, 10*time.Hour
	}
	allocated := func(duration time.Duration) uint64 {
		plan := farmWork(duration)
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		_, err := Run(plan, 0)
		require.NoError(t, err)
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	allocated(time.Second)
	// All that a run ever allocates, not only what it keeps. A longer run sees
	// rarer ages, which may need a few more rows of a histogram.
	a, b := allocated(short), allocated(longer)
	require.InEpsilon(t, a, b, 0.05)
}

// BenchmarkStations is the cost of several vehicles on one channel: ns per bus
// frame of any of them.
func BenchmarkStations(b *testing.B) {
	for _, n := range []int{2, 8, 32} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			plan := farmWork(10 * time.Second)
			plan.Background = nil
			plan.Neighbours = []scenarios.Neighbour{{Name: "other", Count: n - 1, Vehicle: plan.Vehicle}}
			var frames uint64
			for b.Loop() {
				r, err := Run(plan, 0)
				if err != nil {
					b.Fatal(err)
				}
				frames += r.Frames * uint64(n)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
		})
	}
}

// BenchmarkDisplays is the cost of several displays: ns per bus frame.
func BenchmarkDisplays(b *testing.B) {
	for _, n := range []int{1, 3, 9, 27} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			plan := farmWork(20 * time.Second)
			display := plan.Receivers[0]
			plan.Receivers = nil
			for i := range n {
				display.Name = fmt.Sprint("display", i)
				plan.Receivers = append(plan.Receivers, display)
			}
			var frames uint64
			for b.Loop() {
				r, err := Run(plan, 0)
				if err != nil {
					b.Fatal(err)
				}
				frames += r.Frames
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
		})
	}
}

// BenchmarkTime is the cost of a longer run: ns per bus frame, and all bytes ever
// allocated.
func BenchmarkTime(b *testing.B) {
	for _, d := range []time.Duration{time.Minute, 10 * time.Minute, time.Hour} {
		b.Run(d.String(), func(b *testing.B) {
			b.ReportAllocs()
			plan := farmWork(d)
			var frames uint64
			for b.Loop() {
				r, err := Run(plan, 0)
				if err != nil {
					b.Fatal(err)
				}
				frames += r.Frames
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
		})
	}
}

// A storm of one identifier, one frame a broadcast, takes the air from all other
// signals; a cap on that identifier gives it back.
func TestACapCuresTheStorm(t *testing.T) {
	air := map[string]Air{}
	mean := map[string]float64{}
	for _, name := range []string{"storm", "storm-capped"} {
		plan, err := scenarios.Open(name, nil)
		require.NoError(t, err)
		r, err := Run(plan, 0)
		require.NoError(t, err)
		requireClosedLedgers(t, r)
		require.NotEmpty(t, r.Phases)
		for i, p := range r.Phases {
			if p.Air.Occupied > air[name].Occupied || i == 0 {
				air[name] = p.Air
				mean[name] = p.Receivers[0].Glass[0].Mean() / 1e9
			}
		}
	}
	stormy, capped := air["storm"], air["storm-capped"]
	require.Greater(t, stormy.Occupied.Seconds()/stormy.Window.Seconds(), 0.7, "the air is full")
	require.Less(t, capped.Occupied.Seconds()/capped.Window.Seconds(), 0.3)
	require.Greater(t, mean["storm"], 1.5*mean["storm-capped"], "other values grow old")
}
