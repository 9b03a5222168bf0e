package sim

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// replicate runs a plan n times and hands each glass track of the first signal
// to do.
func replicate(t *testing.T, plan *scenarios.Plan, n int, do func(*age.Track)) {
	t.Helper()
	for i := range n {
		r, err := Run(plan, i)
		require.NoError(t, err)
		do(r.Receivers[0].Signals[0].Glass)
	}
}

// meanAge runs a plan n times and returns the mean age at the glass in seconds.
func meanAge(t *testing.T, plan *scenarios.Plan, n int) *sample {
	t.Helper()
	var s sample
	replicate(t, plan, n, func(k *age.Track) { s.add(k.Mean() / 1e9) })
	return &s
}

// near requires a mean within four standard errors of the truth (a chance of
// 6e-5 to fail where the model is right), wire being what the bus itself adds.
func near(t *testing.T, s *sample, truth, wire float64) {
	t.Helper()
	require.InDelta(t, truth+wire/2, s.mean(), 4*s.standardError()+wire, "standard error %g", s.standardError())
}

// wire is the longest that the bare bus takes for its frame, in seconds.
const wire = 135e-9

// Periodic updates, independent loss p, constant delay: mean age T(1+p)/(2(1-p));
// time-weighted P(A > kT + r) = p^k (1 - (1-p) r/T). Derived from Kaul, Yates,
// Gruteser 2012, "Real-time status: how often should one update?".
func TestIndependentLossFollowsTheClosedForm(t *testing.T) {
	const period = 100 * time.Millisecond
	n := 20
	if long() {
		n = 200
	}
	for _, p := range []float64{0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5} {
		t.Run(fmt.Sprint(p), func(t *testing.T) {
			plan := bare(period, 100*time.Second, independent(p))
			var mean, peak sample
			var over [6]sample
			shown := plan.Receivers[0].Shows[0]
			plan.Receivers[0].Shows = nil
			for i := range over {
				shown.Limit = &scenarios.Limit{Quantile: 0.99, Value: period*time.Duration(i) + period/2}
				plan.Receivers[0].Shows = append(plan.Receivers[0].Shows, shown)
			}
			for i := range n {
				r, err := Run(plan, i)
				require.NoError(t, err)
				for i, s := range r.Receivers[0].Signals {
					over[i].add(s.Glass.OverLimit().Seconds() / s.Glass.Observed().Seconds())
				}
				k := r.Receivers[0].Signals[0].Glass
				mean.add(k.Mean() / 1e9)
				peak.add(k.Peaks().Mean() / 1e9)
			}
			periods := float64(n) * 100 / 0.1
			age := func(k float64) float64 { return k * k / 2 }
			require.InDelta(t, 0.1*(1+p)/(2*(1-p)), mean.mean(), 4*0.1*renewalError(p, periods, age)+wire)
			near(t, &peak, 0.1/(1-p), wire)
			for i := range over {
				truth := math.Pow(p, float64(i)) * (1 - (1-p)/2)
				above := func(k float64) float64 { return max(k-float64(i)-0.5, 0) }
				// One excursion more or less is the smallest step there is.
				step := 1 / periods
				require.InDelta(t, truth, over[i].mean(), 4*renewalError(p, periods, above)+step+wire/0.1, "over %d.5 periods", i)
			}
		})
	}
}

// renewalError is the standard error of a time average over n periods, where the
// time between two receptions is K periods, P(K = k) = (1-p) p^(k-1), and a tooth
// of K periods contributes f(K): the variance of the renewal-reward process is
// E[(f(K) - m K)^2] / E[K] a period (Asmussen, "Applied Probability and Queues",
// chapter VI).
func renewalError(p, n float64, f func(k float64) float64) float64 {
	var mean, variance float64
	for k := 1.0; k < 400; k++ {
		mean += (1 - p) * math.Pow(p, k-1) * f(k)
	}
	mean *= 1 - p
	for k := 1.0; k < 400; k++ {
		d := f(k) - mean*k
		variance += (1 - p) * math.Pow(p, k-1) * d * d
	}
	return math.Sqrt(variance * (1 - p) / n)
}

// Bursty loss in continuous time, sampled every T: with eta = exp(-T/tau),
// 1/tau = 1/bad + 1/good, the mean age is T(1/2 + E[J]), E[J] = p/(1-p... ) of the
// two-state chain (Gilbert 1960; Elliott 1963): E[J] = a/(b(a+b)).
func TestBurstsFollowTheChannelInTime(t *testing.T) {
	const share, burst = 0.1, 50 * time.Millisecond
	n := 20
	if long() {
		n = 200
	}
	for _, row := range []struct {
		period time.Duration
		mean   float64 // recomputed, ms
	}{
		{10 * time.Millisecond, 10.576}, {20 * time.Millisecond, 16.193},
		{50 * time.Millisecond, 33.282}, {100 * time.Millisecond, 62.462}, {200 * time.Millisecond, 122.486},
	} {
		t.Run(row.period.String(), func(t *testing.T) {
			good := burst.Seconds() * (1 - share) / share
			eta := math.Exp(-row.period.Seconds() * (1/burst.Seconds() + 1/good))
			a, b := share*(1-eta), (1-share)*(1-eta)
			truth := row.period.Seconds() * (0.5 + a/(b*(a+b)))
			require.InDelta(t, row.mean, truth*1e3, 0.0006)
			plan := bare(row.period, 200*time.Second, radio.Weather{Loss: share, Burst: burst})
			near(t, meanAge(t, plan, n), truth, wire)
		})
	}
}

// m copies of each update s apart with independent loss: mean age
// T/2 + [s(p+...+p^(m-1)) + (T-(m-1)s) p^m] / (1-p^m).
func TestRepeatsFollowTheClosedForm(t *testing.T) {
	n := 20
	if long() {
		n = 200
	}
	const period = 100 * time.Millisecond
	for _, row := range []struct {
		loss    float64
		copies  int
		spacing float64 // in periods
		mean    float64 // recomputed, in periods
	}{
		{0.1, 2, 0.1, 0.51919}, {0.3, 3, 0.1, 0.56228}, {0.3, 3, 1. / 3, 0.64286}, {0.3, 2, 0.5, 0.71429}, {0.5, 3, 0.2, 0.75714},
	} {
		t.Run(fmt.Sprint(row.copies, "x", row.loss), func(t *testing.T) {
			m, p, s := row.copies, row.loss, row.spacing
			var sum float64
			for i := 1; i < m; i++ {
				sum += math.Pow(p, float64(i))
			}
			last := math.Pow(p, float64(m))
			truth := 0.5 + (s*sum+(1-float64(m-1)*s)*last)/(1-last)
			require.InDelta(t, row.mean, truth, 6e-6)
			plan := bare(period, 200*time.Second, independent(p))
			plan.Bridge.Repeat = bridge.Repeat{Copies: m, Spacing: time.Duration(s * float64(period))}
			near(t, meanAge(t, plan, n), truth*0.1, wire)
		})
	}
}

// Samples every T, flushed every B on grids that drift: age = U(0,B) + U(0,T),
// mean (B+T)/2; with each flush lost with chance p, mean T/2 + B/2 + B p/(1-p).
func TestBatchingFollowsTheClosedForm(t *testing.T) {
	n := 40
	if long() {
		n = 400
	}
	for _, row := range []struct{ period, flush, loss float64 }{ // ms
		{10, 70.711, 0}, {10, 70.711, 0.1}, {100, 52.326, 0}, {20, 20.199, 0},
	} {
		t.Run(fmt.Sprint(row), func(t *testing.T) {
			plan := bare(time.Duration(row.period*1e6), 100*time.Second, independent(row.loss))
			plan.Bridge.Policy = bridge.Policy{Kind: bridge.Table, Every: time.Duration(row.flush * 1e6)}
			var mean, q95, q99 sample
			replicate(t, plan, n, func(k *age.Track) {
				mean.add(k.Mean() / 1e9)
				q95.add(k.Ages().Quantile(0.95) / 1e9)
				q99.add(k.Ages().Quantile(0.99) / 1e9)
			})
			near(t, &mean, (row.period/2+row.flush/2+row.flush*row.loss/(1-row.loss))/1e3, wire)
			if row.loss == 0 {
				big, small := max(row.period, row.flush), min(row.period, row.flush)
				for q, s := range map[float64]*sample{0.95: &q95, 0.99: &q99} {
					truth := (big + small - math.Sqrt(2*(1-q)*big*small)) / 1e3
					// A quantile is interpolated inside a bucket of relative width 1/128.
					require.InDelta(t, truth, s.mean(), 4*s.standardError()+truth/128, "quantile %g", q)
				}
			}
		})
	}
}
