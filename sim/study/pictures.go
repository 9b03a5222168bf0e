package study

import (
	"math"
	"time"

	"stalegauge/sim"
	"stalegauge/sim/age"
)

// pictures pools the first complete pictures of one display, one a replication.
type pictures struct {
	filled, never int
	points        age.Points
	time          ratio
	lookedFor     time.Duration
}

func (p *pictures) add(run *sim.ReceiverRun) { p.note(run.Filled, run.FirstPicture, run.Window) }

// note takes a replication in: whether there was a picture, how long it took, and
// for how long it was looked for.
func (p *pictures) note(filled bool, after, window time.Duration) {
	p.lookedFor += window
	if !filled {
		p.never++
		return
	}
	p.filled++
	p.points.Add(after, 1)
	p.time.add(seconds(after), 1)
}

// statistic returns the times to the first picture. Replications are independent
// trials, so the quantiles have the distribution-free intervals of order
// statistics; where the replications are too few to bound a side it is NaN. A
// picture that never came is later than all others: it leaves no mean, and no
// quantile that falls on it.
func (p *pictures) statistic(alpha float64) (s Statistic) {
	if p.filled == 0 {
		return Statistic{}
	}
	if p.never == 0 {
		s.Mean = p.time.value(alpha, 0)
	}
	s.Max = Max{Defined: true, Value: seconds(p.points.Max()), Observed: seconds(p.lookedFor)}
	for _, q := range [...]struct {
		level float64
		to    *Value
	}{{.5, &s.P50}, {.95, &s.P95}, {.99, &s.P99}, {.999, &s.P999}} {
		*q.to = p.quantile(q.level, alpha)
	}
	return s
}

func (p *pictures) quantile(level, alpha float64) Value {
	n := p.filled + p.never
	value := p.ranked(int(math.Ceil(level*float64(n) - 1e-9)))
	if math.IsNaN(value) {
		return Value{}
	}
	lower, upper, _ := Ranks(n, level, alpha)
	v := Value{Defined: true, Value: value, Low: p.ranked(lower), High: p.ranked(upper)}
	v.Interval = !math.IsNaN(v.Low) || !math.IsNaN(v.High)
	return v
}

// ranked returns the picture of a rank from 1 in seconds, within the bucket, NaN
// when there is none.
func (p *pictures) ranked(rank int) float64 {
	if rank < 1 || rank > p.filled {
		return math.NaN()
	}
	return min(p.points.Quantile((float64(rank)-.5)/float64(p.filled)), float64(p.points.Max())) / second
}
