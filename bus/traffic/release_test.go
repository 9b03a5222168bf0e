package traffic

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// kolmogorov is the 0.1 % point of the Kolmogorov distribution (Smirnov 1948):
// sqrt(n) times the largest distance of an empirical law from the true one stays
// below it.
const kolmogorov = 1.949

// distance returns sqrt(n) times the largest distance between the empirical law
// of the sample and a law given by its distribution function.
func distance(sample []float64, law func(float64) float64) float64 {
	sorted := slices.Sorted(slices.Values(sample))
	n, most := float64(len(sorted)), 0.0
	for i, x := range sorted {
		f := law(x)
		most = max(most, f-float64(i)/n, float64(i+1)/n-f)
	}
	return most * math.Sqrt(n)
}

// law returns the release law of one message under a timeline.
func law(t *testing.T, seed uint64, m Message, timeline ...Episode) *releases {
	m.ID, m.Length = 0x123, 8
	s := set(t, Config{Messages: []Message{m}, Timeline: timeline, Stream: streams(seed)})
	r := s.newReleases(0)
	r.enter()
	return &r
}

// instants returns the next releases.
func instants(r *releases, n int) []time.Duration {
	out := []time.Duration{}
	for range n {
		out = append(out, r.at)
		r.advance()
	}
	return out
}

func TestReleasesFollowADriftingClock(t *testing.T) {
	// 100 ppm slow and a period whose ticks are no whole nanoseconds.
	m := Message{Period: 33333333, Phase: PhaseFixed, Offset: 10 * ms, Drift: 100}
	r := law(t, 1, m)
	const step = 33333333 * 1.0001
	for k, at := range instants(r, 100_000) {
		// Rounded to the nearest; a step is known to 2^-33 ns.
		require.InDelta(t, 10.001e6+float64(k)*step, float64(at), 0.501)
	}
}

func TestReleaseJitterIsUniformAndNeverReorders(t *testing.T) {
	m := Message{Period: 10 * ms, Phase: PhaseFixed, Jitter: 10*ms - 1}
	n := size(20_000, 1_000_000)
	var late []float64
	last := time.Duration(-1)
	for k, at := range instants(law(t, 1, m), n) {
		require.Greater(t, at, last)
		last = at
		late = append(late, float64(at-time.Duration(k)*10*ms))
	}
	require.Less(t, distance(late, func(x float64) float64 { return x / 10e6 }), kolmogorov)
}

// With a random phase the first period must look like any other: releases are
// equally likely everywhere in it. A clock that began at its first tick would
// release too little in the first moments, because no earlier tick is late.
func TestRandomPhaseIsStationary(t *testing.T) {
	m := Message{Period: 10 * ms, Jitter: 8 * ms, Drift: -3}
	runs := size(5000, 200_000)
	var first []float64
	for seed := range runs {
		for r := law(t, uint64(seed), m); r.at < 10*ms; r.advance() {
			first = append(first, float64(r.at))
		}
	}
	// The number in one period is 1 on average with a variance of at most 1/3 for a jitter of 80 %.
	require.InDelta(t, runs, len(first), 4*math.Sqrt(float64(runs)/3))
	require.Less(t, distance(first, func(x float64) float64 { return x / 10e6 }), kolmogorov)
}

func TestACopyOfALawRunsOnAlike(t *testing.T) {
	timeline := []Episode{{At: 0}, {At: 2 * time.Second, Asleep: true}, {At: 3 * time.Second}, {At: 5 * time.Second, Storm: &Storm{Rate: 100}}, {At: 6 * time.Second}}
	square := Field{unsigned("lamp", 0, 1), Value{Kind: Square, High: 1, Every: 700 * ms}}
	pulse := Field{unsigned("hatch", 1, 1), Value{Kind: Pulse, High: 1, Every: 300 * ms, Width: 90 * ms}}
	for name, m := range map[string]Message{
		"cyclic": {Period: 10 * ms, Jitter: 5 * ms, Drift: 50},
		"events": {Period: 90 * ms, Jitter: ms, Fields: []Field{square, pulse}, Events: &Events{
			OnChange: []int{0, 1}, MinGap: 20 * ms, Every: 200 * ms, Group: 3, Spacing: 15 * ms, Heartbeat: 500 * ms,
		}},
	} {
		t.Run(name, func(t *testing.T) {
			whole := instants(law(t, 1, m, timeline...), 2000)
			require.True(t, slices.IsSorted(whole))
			for _, skip := range []int{0, 1, 150, 400} {
				ahead, behind := law(t, 1, m, timeline...), law(t, 2, m, timeline...)
				require.Equal(t, whole[:skip], instants(ahead, skip))
				behind.copyFrom(ahead)
				require.Equal(t, whole[skip:], instants(ahead, 2000-skip))
				require.Equal(t, whole[skip:], instants(behind, 2000-skip), "the copy is its own")
			}
		})
	}
}
