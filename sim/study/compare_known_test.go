package study

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// copies is the age of a value that is sent every period in one or two copies,
// spacing apart, over a two-state channel in continuous time that loses everything
// in its bad state and nothing in its good one. All times in one unit.
//
// Looked at back from an instant u after a sending, the value held is J periods
// older than the newest, J being how many values in a row were lost in all copies.
// The states at the instants of the copies are a Markov chain that stays bad over a
// gap g with the chance stay(g) = share + (1-share) exp(-g/memory), so with
// x = stay(period-spacing) and y = stay(spacing) the chance of J >= j >= 1 is
// share (xy)^(j-1) before the second copy, and y times that from it on.
type copies struct {
	period, spacing float64 // spacing 0: one copy
	share, memory   float64 // of the time in the bad state; of the chain
}

func (c *copies) stay(gap float64) float64 { return c.share + (1-c.share)*math.Exp(-gap/c.memory) }

// older returns the chance of J >= j, before the second copy and from it on.
func (c *copies) older(j float64) (before, after float64) {
	switch {
	case j < 1:
		return 1, 1
	case c.spacing == 0:
		p := c.share * math.Pow(c.stay(c.period), j-1)
		return p, p
	}
	p := c.share * math.Pow(c.stay(c.period-c.spacing)*c.stay(c.spacing), j-1)
	return p, p * c.stay(c.spacing)
}

// over returns the share of time with an age above a.
func (c *copies) over(a float64) float64 {
	k := math.Floor(a / c.period)
	r := a - k*c.period
	// Above: from r in the period on with J >= k, before it with J >= k+1.
	before, after := c.older(k)
	older, olderAfter := c.older(k + 1)
	s := c.spacing
	return (math.Min(r, s)*older + math.Max(0, r-s)*olderAfter +
		math.Max(0, s-r)*before + (c.period-math.Max(r, s))*after) / c.period
}

// mean is the integral of that.
func (c *copies) mean() float64 {
	x := c.stay(c.period)
	if c.spacing == 0 {
		return c.period/2 + c.period*c.share/(1-x)
	}
	x, y := c.stay(c.period-c.spacing), c.stay(c.spacing)
	return c.period/2 + c.share*(c.spacing+(c.period-c.spacing)*y)/(1-x*y)
}

func (c *copies) quantile(level float64) float64 {
	low, high := 0., 1e4*c.period
	for range 100 {
		if middle := (low + high) / 2; c.over(middle) > 1-level {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// The closed forms against a chain of states drawn at the copies' instants, and the
// mean against values of such a draw with ten steps a period, 0.9 of memory a step:
// 0.67056 and 0.65533 periods. Without memory it is the known mean of two copies
// with independent loss, T/2 + [s p + (T-s) p^2]/(1-p^2).
func TestAgesOfCopies(t *testing.T) {
	memory := -.1 / math.Log(.9)
	one, two := copies{1, 0, .1, memory}, copies{1, .1, .1, memory}
	require.InDelta(t, .67056, one.mean(), 2e-4)
	require.InDelta(t, .65533, two.mean(), 2e-4)
	independent := copies{1, .5, .3, 1e-9}
	require.InDelta(t, .5+(.5*.3+.5*.09)/(1-.09), independent.mean(), 1e-12)

	c := copies{1, .1, .1, .9}
	dice := rand.New(rand.NewPCG(1, 7))
	bad, held, over, sum := false, 0, 0., 0.
	const periods, limit = 2_000_000, 2.4
	step := func(gap float64) {
		switch stay := c.stay(gap); {
		case bad:
			bad = dice.Float64() < stay
		default: // the flow between the states is the same both ways
			bad = dice.Float64() < c.share*(1-stay)/(1-c.share)
		}
	}
	tooth := func(from, to float64) {
		sum += (to*to - from*from) / 2
		over += max(0, to-limit) - max(0, from-limit)
	}
	for range periods {
		step(c.period - c.spacing)
		held++ // periods that the value held is older than the newest
		if !bad {
			held = 0
		}
		tooth(float64(held), float64(held)+c.spacing)
		step(c.spacing)
		if !bad {
			held = 0
		}
		tooth(float64(held)+c.spacing, float64(held)+c.period)
	}
	// Standard errors of this length from twenty such draws: 7e-4 and 2e-4.
	require.InDelta(t, c.mean(), sum/periods, 4*7e-4)
	require.InDelta(t, c.over(limit), over/periods, 4*2e-4)
	require.InDelta(t, .01, c.over(c.quantile(.99)), 1e-9)
}

// What a second copy 10 ms behind the first is worth in bursts of 100 ms is known.
// Common streams find it, cover it as often as they promise, and with a tenth of
// the replications that independent streams need.
func TestPairedDifferenceOfAKnownPair(t *testing.T) {
	const burst, share = .1, .1
	memory := burst * (1 - share)
	one, two := copies{.1, 0, share, memory}, copies{.1, .01, share, memory}
	meanTruth, p99Truth := two.mean()-one.mean(), two.quantile(.99)-one.quantile(.99)
	channel := []string{"weather={loss: 10%, burst: 100ms, good_loss: 0%, bad_loss: 100%}", "bus.messages.Dial.jitter=0"}
	a := design(t, "once", channel...)
	b := design(t, "twice", append(slices.Clone(channel), "bridge.repeat.copies=2", "bridge.repeat.spacing=10ms")...)
	compare := func(seed uint64, replications int, independent bool) *Pair {
		a.Plan.Seed, b.Plan.Seed = seed, seed
		c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Replications: replications}, Independent: independent})
		require.NoError(t, err)
		return &c.Pairs[0]
	}

	runs := counts(25, 1000)
	mean, p99, found := 0, 0, 0
	for i := range runs {
		p := compare(uint64(100+i), 20, false)
		mean += covers(p.Overall.Mean, meanTruth)
		p99 += covers(p.Overall.P99, p99Truth)
		if p.Overall.Mean.Sign() < 0 {
			found++
		}
	}
	t.Logf("of %d intervals %d cover the mean's %.4g s and %d p99's %.4g s; found %d times", runs, mean, meanTruth, p99, p99Truth, found)
	require.Equal(t, runs, found, "found each time")
	// 92 to 97 %, and four standard errors of so many runs beyond in the short form.
	slack := 0.
	if runs < 1000 {
		slack = 4 * math.Sqrt(.05*.95/float64(runs))
	}
	for _, n := range []int{mean, p99} {
		require.GreaterOrEqual(t, float64(n)/float64(runs), .92-slack)
		require.LessOrEqual(t, float64(n)/float64(runs), .97+slack)
	}

	// The width falls as one over the root of the replications.
	ratio := 0.
	times := counts(5, 100)
	for i := range times {
		common, apart := compare(uint64(100+i), 20, false), compare(uint64(100+i), 20, true)
		width := func(p *Pair) float64 { return p.Overall.Mean.Difference.High - p.Overall.Mean.Difference.Low }
		ratio += math.Pow(width(apart)/width(common), 2) / float64(times)
	}
	t.Logf("independent streams need %.0f times the replications", ratio)
	require.Greater(t, ratio, 10.)
}

func covers(p Paired, truth float64) int {
	if d := p.Difference; d.Low <= truth && truth <= d.High {
		return 1
	}
	return 0
}
