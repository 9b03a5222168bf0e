package study

import (
	"math"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// limit is what a signal is held to in a comparison: the figure that the limit
// speaks of and its value in seconds, not a number without a limit.
type limit struct {
	figure int
	value  float64
}

// limitOf is the limit of a signal; one of the first picture, of which there is
// one a replication, has no part in comparisons.
func limitOf(s *scenarios.Shown) limit {
	switch {
	case s.Limit == nil || s.Limit.Of == scenarios.OfFirstPicture:
		return limit{figureP99, math.NaN()}
	case s.Limit.Of == scenarios.OfChange:
		return limit{figureDelay, seconds(s.Limit.Value)}
	default:
		return limit{figureP99, seconds(s.Limit.Value)}
	}
}

// valueSums is what a group of replications says of the values of a signal.
type valueSums struct {
	changes, late   uint64
	observed, wrong float64
	delays          age.Points
}

func (v *valueSums) note(run *sim.ValueRun) {
	if run == nil {
		return
	}
	c := &run.Changes
	v.changes += c.Count
	v.late += c.Count - c.InTime
	v.observed += seconds(run.Wrong.Observed)
	v.wrong += seconds(run.Wrong.Time)
	v.delays.Merge(&run.Delays)
}

func (v *valueSums) merge(w *valueSums) {
	v.changes += w.changes
	v.late += w.late
	v.observed += w.observed
	v.wrong += w.wrong
	v.delays.Merge(&w.delays)
}

// readValues works the figures of the values of a signal out.
func (e *entry) readValues(r *readings, at int, s *scenarios.Shown) {
	var all valueSums
	for _, v := range e.values[at] {
		all.merge(v)
	}
	all.read(&r.whole.signals[at], s.Limit)
	for g := range r.left {
		var others valueSums
		for i, v := range e.values[at] {
			if i != g {
				others.merge(v)
			}
		}
		others.read(&r.left[g].signals[at], s.Limit)
	}
}

func (v *valueSums) read(f *[signalFigures]float64, l *scenarios.Limit) {
	if v.observed > 0 {
		f[figureWrong] = v.wrong / v.observed
	}
	if v.changes == 0 || l == nil || l.Of != scenarios.OfChange {
		return
	}
	f[figureLate] = float64(v.late) / float64(v.changes)
	f[figureDelay] = delayOf(&v.delays, v.changes, l.Quantile)
}
