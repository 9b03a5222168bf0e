package study

import (
	"math"
	"time"

	"stalegauge/sim/age"
)

// timed pools a distribution weighted by time.
type timed struct {
	curve curve
	mean  ratio
}

func (t *timed) add(track *age.Track) {
	t.curve.add(timeAbove(track.Ages()), float64(track.Observed()))
	t.mean.add(track.TwiceArea().Float64()/2/second/second, seconds(track.Observed()))
}

// statistic reads the figures off the pooled track.
func (t *timed) statistic(pooled *age.Track, alpha float64) Statistic {
	if pooled.Observed() == 0 {
		return Statistic{}
	}
	ages := pooled.Ages()
	most := ages.Max()
	s := t.curve.statistic(timeAbove(ages), age.Between, float64(most), alpha)
	s.Mean = t.mean.value(alpha, 0).exact(pooled.Mean() / second)
	s.Max = Max{Defined: true, Value: seconds(most), Observed: seconds(pooled.Observed())}
	return s
}

// counted pools a distribution of values that count once each.
type counted struct {
	curve curve
	mean  ratio
}

func (c *counted) add(p *age.Points) {
	c.curve.add(valuesAbove(p), float64(p.Count()))
	c.mean.add(p.Sum().Float64()/second, float64(p.Count()))
}

func (c *counted) statistic(pooled *age.Points, observed time.Duration, alpha float64) Statistic {
	if pooled.Count() == 0 {
		return Statistic{}
	}
	s := c.curve.statistic(valuesAbove(pooled), meanOf(pooled), float64(pooled.Max()), alpha)
	s.Mean = c.mean.value(alpha, 0).exact(pooled.Mean() / second)
	s.Max = Max{Defined: true, Value: seconds(pooled.Max()), Observed: seconds(observed)}
	return s
}

func (c *curve) statistic(walk above, place inside, most, alpha float64) (s Statistic) {
	for _, q := range [...]struct {
		level float64
		to    *Value
	}{{.5, &s.P50}, {.95, &s.P95}, {.99, &s.P99}, {.999, &s.P999}} {
		*q.to = c.quantile(walk, place, q.level, most, alpha)
	}
	return s
}

// exact puts the figure of the pooled integers in place of the same figure from
// floating-point sums.
func (v Value) exact(value float64) Value {
	v.Value = value
	if v.Interval {
		v.Low, v.High = min(v.Low, value), max(v.High, value)
	}
	return v
}

func seconds(d time.Duration) float64 { return float64(d) / second }

// excess pools what a track saw above its limit.
type excess struct {
	share, rate, overage ratio
	over                 time.Duration
	violations           uint64
	observed             time.Duration
}

func (e *excess) add(track *age.Track) {
	observed := seconds(track.Observed())
	e.share.add(seconds(track.OverLimit()), observed)
	e.rate.add(float64(track.Violations()), observed/3600)
	e.overage.add(track.TwiceOverage().Float64()/2/second/second, observed)
	e.over += track.OverLimit()
	e.violations += track.Violations()
	e.observed += track.Observed()
}

// few is the number of episodes from which on the t-interval is trusted.
const few = 20

// figures returns the share of time over the limit, the episodes an hour and the
// mean overage. episode is how long one episode may be expected to last, in
// seconds.
//
// Without an episode the upper ends are those of a Poisson process of which
// nothing was seen, -ln(alpha) episodes; with fewer than 20 in all they come from
// the exact interval of their count. A share is that times the length of an
// episode: for the upper end the larger of the mean seen and episode, for the
// lower end the mean seen.
func (e *excess) figures(episode, alpha float64) (share, rate, overage Value) {
	if e.observed == 0 {
		return Value{}, Value{}, Value{}
	}
	share, rate, overage = e.share.value(alpha, 1), e.rate.value(alpha, 0), e.overage.value(alpha, 0)
	share.Value = float64(e.over) / float64(e.observed)
	observed := seconds(e.observed)
	if e.violations >= few {
		share = e.share.skewed(share.exact(share.Value), alpha)
		share.High = min(1, share.High)
		return share, e.rate.skewed(rate, alpha), overage
	}
	count, length, least := Interval{0, -math.Log(alpha)}, episode, 0.0
	if e.violations > 0 {
		count = Poisson(e.violations, alpha)
		least = seconds(e.over) / float64(e.violations)
		length = max(least, episode)
	}
	between := func(v Value, low, high float64) Value {
		v.Interval, v.Low, v.High = true, low, high
		return v.exact(v.Value)
	}
	share = between(share, count.Low*least/observed, min(1, count.High*length/observed))
	rate = between(rate, count.Low/observed*3600, count.High/observed*3600)
	// One episode of that length is above the limit by half of it on average.
	high := share.High * length / 2
	if overage.Interval {
		high = max(high, overage.High)
	}
	return share, rate, between(overage, 0, high)
}
