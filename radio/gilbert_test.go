package radio

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A million packets through the simple chain of Gilbert 1960: the share lost L =
// p/(p+r), the mean run 1/r, the burst ratio 1/(p+r) (McGowan), the chances
// themselves, P(k in a row) = L (1-r)^(k-1) and the mean age of a value looked at
// at a random time, E X^2 / (2 E X) with the gap X between receptions, in send
// periods; figures recomputed from these forms. Each within three standard errors:
// those of counts in closed form, the variance of the mean of a chain being
// inflated by (1+rho)/(1-rho), the others by batches.
func TestGilbertStatistics(t *testing.T) {
	const n = 1_000_000
	for _, c := range []struct {
		p, r, loss, run, burstRatio, age float64
		inARow                           map[int]float64
	}{
		{0.05, 0.45, 0.1, 2.2222, 2, 0.72222, map[int]float64{1: 0.1, 2: 0.055, 3: 0.03025, 5: 0.0091506, 10: 0.00046054}},
		{0.02777, 0.25, 0.099975, 4, 3.600, math.NaN(), map[int]float64{1: 0.099975}},
		{0.1, 0.9, 0.1, 1 / 0.9, 1, math.NaN(), map[int]float64{3: 0.001}},
	} {
		w := Weather{Loss: c.loss, GoodLoss: c.loss}
		if c.p+c.r < 1 {
			w = continuous(c.p, c.r, 0, 1, 10*ms)
		}
		f := NewFading(w, streams(1)("weather", 0), 11)
		received := make([]bool, n)
		for k := range received {
			at := time.Duration(k) * 10 * ms
			received[k] = f.Hear(at, at+ms) == Heard
		}
		fit, rho := FitTwoState(received), 1-c.p-c.r
		runs := float64(len(fit.Runs))
		require.InDelta(t, c.loss, fit.Loss, 3*shareError(c.loss, n)*rootOf((1+rho)/(1-rho)), "%+v", c)
		require.InDelta(t, c.p, fit.ToBad, 3*shareError(c.p, int(n*(1-c.loss))), "%+v", c)
		require.InDelta(t, c.r, fit.ToGood, 3*shareError(c.r, int(n*c.loss)), "%+v", c)
		runError := 3 * rootOf((1-c.r)/runs) / c.r
		require.InDelta(t, c.run, fit.MeanRun(), runError+5e-5, "%+v", c)
		require.InDelta(t, c.burstRatio, fit.BurstRatio(), runError+3*shareError(c.loss, n)*c.run+5e-4, "%+v", c)
		for k, want := range c.inARow {
			mean, se := meanOf(inARow(received, k))
			require.InDelta(t, want, mean, 3*se, "%d in a row, %+v", k, c)
		}
		if !math.IsNaN(c.age) {
			mean, se := meanOf(agesAtRandomTimes(received))
			require.InDelta(t, c.age, mean, 3*se+5e-6, "%+v", c)
		}
	}
}

// inARow says for each packet whether it and the k-1 before it are lost.
func inARow(received []bool, k int) (all []float64) {
	run := 0
	for _, r := range received {
		if run++; r {
			run = 0
		}
		all = append(all, map[bool]float64{true: 1}[run >= k])
	}
	return all
}

// agesAtRandomTimes returns for each send period the mean age during it, in
// periods, of the value received last.
func agesAtRandomTimes(received []bool) (ages []float64) {
	age := 0.5
	for _, r := range received {
		if age++; r {
			age = 0.5
		}
		ages = append(ages, age)
	}
	return ages
}

// The chances that belong to a share lost and a mean run: r = 1/B, p = L/(B (1-L))
// (NTIA TM-23-565), as the walk in continuous time has them from sample to sample
// when bursts are long against the step.
func TestShareAndBurstGiveTheChain(t *testing.T) {
	for _, c := range []struct{ loss, run, p, r float64 }{{0.05, 3, 0.017544, 0.33333}, {0.02, 5, 0.0040816, 0.2}} {
		w := continuous(c.p, c.r, 0, 1, ms)
		require.InDelta(t, c.loss, w.Loss, 5e-6*c.run, "%+v", c)
		f := NewFading(w, streams(2)("weather", 0), 5)
		var received []bool
		for k := range 1_000_000 {
			at := time.Duration(k) * ms
			received = append(received, f.Hear(at, at) == Heard)
		}
		fit := FitTwoState(received)
		require.InDelta(t, c.run, fit.MeanRun(), 3*rootOf((1-c.r)/float64(len(fit.Runs)))/c.r, "%+v", c)
		require.InDelta(t, c.loss, fit.Loss, 3*shareError(c.loss, len(received))*rootOf((2-c.p-c.r)/(c.p+c.r)), "%+v", c)
	}
}
