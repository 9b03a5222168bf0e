package age

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// counts returns short, or long when the long checks were asked for.
func counts(short, long int) int {
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		return long
	}
	return short
}

// teeth is a sawtooth fed by hand.
type teeth struct{ starts, ends Points }

func (t *teeth) add(from, to time.Duration, n uint64) {
	t.starts.Add(from, n)
	t.ends.Add(to, n)
}

func (t *teeth) view() Teeth {
	return Teeth{Starts: []*Points{&t.starts}, Ends: []*Points{&t.ends}}
}

// The time above each edge is the same integer as the sum over all teeth.
func TestTimeAboveEqualsBruteForce(t *testing.T) {
	dice := rand.New(rand.NewPCG(5, 6))
	type tooth struct{ from, to time.Duration }
	all := make([]tooth, counts(100_000, 1_000_000))
	var h teeth
	var total time.Duration
	for i := range all {
		from := time.Duration(dice.ExpFloat64() * 3e6)
		all[i] = tooth{from, from + time.Duration(dice.ExpFloat64()*1e8)}
		h.add(all[i].from, all[i].to, 1)
		total += all[i].to - all[i].from
	}
	require.Equal(t, total, h.view().Total())
	every := counts(61, 7)
	h.view().Above(func(bucket int, above time.Duration) {
		if bucket%every != 0 {
			return
		}
		x := Edge(bucket)
		var want time.Duration
		for _, o := range all {
			want += max(o.to-x, 0) - max(o.from-x, 0)
		}
		require.Equal(t, want, above, "above %v", x)
	})
}

// iid is the sawtooth of updates every period with a constant delay of which each
// is lost with probability p: the tooth of k periods has the share q p^(k-1).
func iid(p float64, period, delay time.Duration) *teeth {
	all := 1e18 / float64(period)
	h, share := new(teeth), 1-p
	for k := time.Duration(1); share*all >= .5; k++ {
		h.add(delay, delay+k*period, uint64(math.Round(share*all)))
		share *= p
	}
	return h
}

// Periodic updates with independent loss have, with k the largest integer with
// p^k >= 1-a, the quantile d + T (k + (1 - (1-a)/p^k)/q). Derived, recomputed and
// confirmed by sampling; the figures are in units of T for d = 0.
func TestPeriodicUpdatesWithIndependentLoss(t *testing.T) {
	levels := []float64{.5, .9, .95, .99, .999}
	for _, c := range []struct {
		p                    float64
		quantiles            [5]float64
		peak, peak95, peak99 float64
	}{
		{0, [5]float64{.5, .9, .95, .99, .999}, 1, 1, 1},
		{.01, [5]float64{.50505, .90909, .95960, 1, 1.90909}, 1.01010, 1, 1},
		{.05, [5]float64{.52632, .94737, 1, 1.84211, 2.63158}, 1.05263, 1, 2},
		{.1, [5]float64{.55556, 1, 1.55556, 2, 3}, 1.11111, 2, 2},
		{.2, [5]float64{.625, 1.625, 1.9375, 2.9375, 4.46875}, 1.25, 2, 3},
		{.3, [5]float64{.71429, 1.95238, 2.63492, 3.89947, 5.84068}, 1.42857, 3, 4},
		{.5, [5]float64{1, 3.4, 4.4, 6.72, 9.976}, 2, 5, 7},
	} {
		const period = 1000 // any unit will do
		h := iid(c.p, period, 0)
		v := h.view()
		require.InDelta(t, c.peak, h.ends.Mean()/period, 1e-5, "p %v", c.p)
		require.Equal(t, c.peak95*period, h.ends.Quantile(.95), "p %v", c.p)
		require.Equal(t, c.peak99*period, h.ends.Quantile(.99), "p %v", c.p)
		for i, level := range levels {
			// Between buckets that hold a multiple of T the interpolation is exact
			// to the five digits; beside one it errs by less than a bucket.
			tolerance := 1e-5
			if near(c.quantiles[i]) {
				tolerance = c.quantiles[i] / 128
			}
			require.InDelta(t, c.quantiles[i], v.Quantile(level)/period, tolerance, "p %v level %v", c.p, level)
		}
	}
}

// near reports whether x lies within a bucket of a multiple of 1.
func near(x float64) bool { return math.Abs(x-math.Round(x)) < x/128 }

// P(A > d + kT + r) = p^k (1 - q r/T): values for p = 0.1, T = 100, d = 5, in a
// unit in which buckets are finer than the unit of the figures.
func TestShareOverAnAgeWithIndependentLoss(t *testing.T) {
	h := iid(.1, 100_000, 5_000)
	total := float64(h.view().Total())
	share := func(x time.Duration) float64 {
		i := Bucket(x)
		var over, under float64
		h.view().Above(func(bucket int, above time.Duration) {
			switch bucket {
			case i:
				over = float64(above)
			case i + 1:
				under = float64(above)
			}
		})
		inside := float64(x-Edge(i)) / float64(Edge(i+1)-Edge(i))
		return (over + (under-over)*inside) / total
	}
	for x, want := range map[time.Duration]float64{55: .55, 155: .055, 150: .0595} {
		require.InDelta(t, want, share(x*1000), 1e-9, "over %d", x)
	}
	// At a kink the mass of one bucket bounds the error.
	for x, want := range map[time.Duration]float64{5: 1, 105: .1, 205: .01, 305: .001} {
		require.InDelta(t, want, share(x*1000), want*float64(x)/128/100, "over %d", x)
	}
}

// One tooth of an hour, and a billion of a second, without overflow or loss.
func TestTeethOfAnHourAndABillionOfASecond(t *testing.T) {
	var one teeth
	one.add(0, time.Hour, 1)
	require.Equal(t, time.Hour, one.view().Total())
	require.InDelta(t, float64(54*time.Minute), one.view().Quantile(.9), 2)
	require.Equal(t, time.Hour, one.view().Max())

	var many teeth
	many.add(0, time.Second, 1e9)
	require.Equal(t, 1e9*time.Second, many.view().Total())
	require.InDelta(t, .99e9, many.view().Quantile(.99), 2)
	many.view().Above(func(bucket int, above time.Duration) {
		require.Equal(t, max(time.Second-Edge(bucket), 0)*1e9, above)
	})
}

func TestQuantileWithoutTime(t *testing.T) {
	var none teeth
	require.True(t, math.IsNaN(none.view().Quantile(.5)))
	none.add(5, 5, 3)
	require.True(t, math.IsNaN(none.view().Quantile(.5)))
	require.Zero(t, none.view().Total())
}

// The time above an age stays constant where no tooth passes: the quantile at
// exactly that share is the lower end of the gap.
func TestQuantileAtAGap(t *testing.T) {
	var h teeth
	h.add(0, 10, 1)
	h.add(100, 110, 1)
	require.Equal(t, 10.0, h.view().Quantile(.5))
	require.Equal(t, 0.0, h.view().Quantile(0))
	require.Equal(t, 110.0, h.view().Quantile(1))
}
