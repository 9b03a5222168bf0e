package age

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// batches feeds a queue's deliveries into a track for each of many equal stretches
// of time and gives the mean and its standard error of what a stretch measures.
func batches(t *testing.T, deliver func(yield func(at, generated float64) bool)) (mean, meanError, peak, peakError float64) {
	t.Helper()
	const second = 1e9
	n := counts(30, 100)
	length := time.Duration(counts(20_000, 100_000)) * time.Second
	var means, peaks []float64
	track, held, begin := NewTrack(0), time.Duration(0), 100*time.Second
	for at, generated := range deliver {
		now, validAt := time.Duration(at*second), time.Duration(generated*second)
		for now >= begin && len(means) < n {
			if track.IsOpen() {
				track.Close(begin)
				means = append(means, track.Mean()/second)
				peaks = append(peaks, track.Peaks().Mean()/second)
			}
			track = NewTrack(0)
			track.Open(begin, held)
			begin += length
		}
		if len(means) == n {
			break
		}
		held = max(held, validAt)
		track.Update(now, validAt)
	}
	moments := func(x []float64) (mean, standardError float64) {
		for _, v := range x {
			mean += v / float64(len(x))
		}
		for _, v := range x {
			standardError += (v - mean) * (v - mean)
		}
		return mean, math.Sqrt(standardError / float64(len(x)) / float64(len(x)-1))
	}
	mean, meanError = moments(means)
	peak, peakError = moments(peaks)
	return mean, meanError, peak, peakError
}

// firstCome is a single server that serves all in order of arrival.
func firstCome(gap, service func() float64) func(func(at, generated float64) bool) {
	return func(yield func(at, generated float64) bool) {
		var arrival, free float64
		for {
			arrival += gap()
			free = max(arrival, free) + service()
			if !yield(free, arrival) {
				return
			}
		}
	}
}

// preemptive serves the newest at once and throws away what was in service.
func preemptive(gap, service func() float64) func(func(at, generated float64) bool) {
	return func(yield func(at, generated float64) bool) {
		arrival := gap()
		for {
			next, done := arrival+gap(), arrival+service()
			if done <= next && !yield(done, arrival) {
				return
			}
			arrival = next
		}
	}
}

// blocking turns away what finds the server busy.
func blocking(gap, service func() float64) func(func(at, generated float64) bool) {
	return func(yield func(at, generated float64) bool) {
		var arrival, free float64
		for {
			arrival += gap()
			if arrival < free {
				continue
			}
			free = arrival + service()
			if !yield(free, arrival) {
				return
			}
		}
	}
}

// Kaul, Yates, Gruteser 2012 and Inoue, Masuyama, Takine, Tanaka 2019 give the
// mean ages of these queues at service rate 1; Costa, Codreanu, Ephremides 2016
// that of the blocking one. M/D/1, D/M/1 and the peaks are partly derived; all
// figures were recomputed from the formulas and confirmed by independent sampling.
func TestQueuesHaveTheirPublishedAges(t *testing.T) {
	exp := func(dice *rand.Rand, rate float64) func() float64 {
		return func() float64 { return dice.ExpFloat64() / rate }
	}
	every := func(x float64) func() float64 { return func() float64 { return x } }
	dice := rand.New(rand.NewPCG(15, 16))
	for _, c := range []struct {
		name       string
		deliver    func(func(at, generated float64) bool)
		mean, peak float64
	}{
		{"M/M/1 at 0.2", firstCome(exp(dice, .2), exp(dice, 1)), 6.05, 6.25},
		{"M/M/1 at 0.5", firstCome(exp(dice, .5), exp(dice, 1)), 3.5, 4},
		{"M/M/1 at 0.53", firstCome(exp(dice, .53), exp(dice, 1)), 3.4845, 4.0145},
		{"M/M/1 at 0.8", firstCome(exp(dice, .8), exp(dice, 1)), 5.45, 6.25},
		{"M/D/1 at 0.5", firstCome(exp(dice, .5), every(1)), 3.1487, 3.5},
		{"M/D/1 at 0.8", firstCome(exp(dice, .8), every(1)), 3.5564, 4.25},
		{"D/M/1 at 0.5", firstCome(every(2), exp(dice, 1)), 2.2550, 3.2550},
		{"D/M/1 at 0.8", firstCome(every(1.25), exp(dice, 1)), 3.3177, 3.9427},
		{"M/M/1/1 at 1", blocking(exp(dice, 1), exp(dice, 1)), 2.5, 3},
		{"M/M/1/1 at 2", blocking(exp(dice, 2), exp(dice, 1)), 2.1667, 2.5},
		{"M/M/1 preemptive at 1", preemptive(exp(dice, 1), exp(dice, 1)), 2, 2.5},
		{"M/M/1 preemptive at 2", preemptive(exp(dice, 2), exp(dice, 1)), 1.5, 1.8333},
		{"M/D/1 preemptive at 1", preemptive(exp(dice, 1), every(1)), 2.7183, 3.7183},
		{"D/M/1 preemptive at 1", preemptive(every(1), exp(dice, 1)), 1.5, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			mean, meanError, peak, peakError := batches(t, c.deliver)
			// 28 comparisons: 4.5 standard errors are left once in 5,000 runs.
			require.InDelta(t, c.mean, mean, 4.5*meanError+5e-5)
			require.InDelta(t, c.peak, peak, 4.5*peakError+5e-5)
			require.Less(t, meanError/mean, .015, "the check must be sharp")
		})
	}
}

// The two-state loss chain stepped once an update: the mean age over the period is
// 1/2 + E[J] with E[J] = (p - eg eb eta)/(1 - eg(1-a) - eb(1-b) + eg eb eta), and
// the mean peak 1/(1-p) whatever the bursts (derived; simple case as in Gilbert
// 1960; recomputed and confirmed by sampling).
func TestBurstyLossHasItsAge(t *testing.T) {
	for i, c := range []struct{ a, b, good, bad, mean, peak float64 }{
		{.1, .9, 0, 1, .6111, 1.1111},
		{.05, .45, 0, 1, .7222, 1.1111},
		{.02, .18, 0, 1, 1.0556, 1.1111},
		{.05, .2, .01, .6, .7398, 1.1468},
		{.01, .1, .02, .9, .9510, 1.1112},
		{.3, .3, 0, 1, 2.1667, 2},
	} {
		dice := rand.New(rand.NewPCG(17, uint64(i)))
		deliver := func(yield func(at, generated float64) bool) {
			bad := dice.Float64() < c.a/(c.a+c.b)
			for k := 1.; ; k++ {
				loss := c.good
				if bad {
					loss = c.bad
				}
				if dice.Float64() >= loss && !yield(k, k) {
					return
				}
				if bad {
					bad = dice.Float64() >= c.b
				} else {
					bad = dice.Float64() < c.a
				}
			}
		}
		mean, meanError, peak, peakError := batches(t, deliver)
		require.InDelta(t, c.mean, mean, 4.5*meanError+5e-5, "row %d", i)
		require.InDelta(t, c.peak, peak, 4.5*peakError+5e-5, "row %d", i)
		require.Less(t, meanError/mean, .03, "row %d: the check must be sharp", i)
	}
}
