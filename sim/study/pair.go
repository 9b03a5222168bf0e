package study

import (
	"math"

	"stalegauge/scenarios"
)

// matching is two designs with the signals that both have on their displays.
type matching struct {
	a, b  *readings
	both  [][2]int // by signal: its index in A and in B
	shown [][2]int // of these, the ones that both have shown
	alpha float64
}

func (c *contest) pair(a, b int, all []*readings, key signalName, alpha float64) Pair {
	p := Pair{A: a, B: b, Key: -1}
	m := &matching{a: all[a], b: all[b], alpha: alpha}
	index := map[signalName]int{}
	eachSignal(c.designs[b].Plan, func(at int, name signalName, _ *scenarios.Shown) { index[name] = at })
	eachSignal(c.designs[a].Plan, func(at int, name signalName, _ *scenarios.Shown) {
		other, both := index[name]
		if !both {
			p.OnlyA = append(p.OnlyA, name.String())
			return
		}
		delete(index, name)
		if name == key {
			p.Key = len(p.Signals)
		}
		p.Signals = append(p.Signals, PairedSignal{Receiver: name.receiver, Signal: name.signal})
		m.add(at, other)
	})
	eachSignal(c.designs[b].Plan, func(_ int, name signalName, _ *scenarios.Shown) {
		if _, left := index[name]; left {
			p.OnlyB = append(p.OnlyB, name.String())
		}
	})
	for i := range p.Signals {
		p.Signals[i].Ages = m.ages(m.both[i : i+1])
	}
	p.Overall = m.ages(m.shown)
	p.Overall.Unknown = m.average(m.both, figureUnknown) // what was never shown counts there
	p.Worst = m.compare(m.worst)
	p.OwnShare = m.compare(func(r *reading, _ int) float64 { return r.own })
	p.OwnOccupancy = m.compare(func(r *reading, _ int) float64 { return r.occupied })
	p.BroadcastsPerSecond = m.compare(func(r *reading, _ int) float64 { return r.broadcasts })
	return p
}

// add matches a signal of A with one of B.
func (m *matching) add(a, b int) {
	m.both = append(m.both, [2]int{a, b})
	if !math.IsInf(m.a.whole.signals[a][figureMean], 0) && !math.IsInf(m.b.whole.signals[b][figureMean], 0) {
		m.shown = append(m.shown, [2]int{a, b})
	}
}

func (m *matching) ages(signals [][2]int) Ages {
	return Ages{
		Mean: m.average(signals, figureMean), P95: m.average(signals, figureP95), P99: m.average(signals, figureP99),
		OverLimit: m.average(signals, figureOver), Unknown: m.average(signals, figureUnknown),
		Late: m.average(signals, figureLate), Wrong: m.average(signals, figureWrong),
	}
}

// average compares the average of a figure over the signals that have it in both
// designs: over the same signals whichever group is left out.
func (m *matching) average(signals [][2]int, figure int) Paired {
	var have [][2]int
	for _, at := range signals {
		if !math.IsNaN(m.a.whole.signals[at[0]][figure]) && !math.IsNaN(m.b.whole.signals[at[1]][figure]) {
			have = append(have, at)
		}
	}
	if len(have) == 0 {
		have = signals
	}
	return m.compare(func(r *reading, side int) float64 {
		sum := 0.0
		for _, at := range have {
			sum += r.signals[at[side]][figure]
		}
		return sum / float64(len(have))
	})
}

// worst is the largest age or delay in units of its limit: p99 of the age, of a
// change the delay of the share that its limit asks for. It is not a number without
// limits, nor where it could be that of a signal that nothing is known of without the
// group left out.
func (m *matching) worst(r *reading, side int) float64 {
	worst, whole := math.NaN(), &[...]*readings{m.a, m.b}[side].whole
	for _, at := range m.both {
		l := r.limits[at[side]]
		ratio := r.signals[at[side]][l.figure] / l.value
		if math.IsNaN(ratio) && !math.IsNaN(whole.signals[at[side]][l.figure]/l.value) {
			return ratio
		}
		if !math.IsNaN(ratio) && !(ratio <= worst) {
			worst = ratio
		}
	}
	return worst
}

// compare is the figure of B less that of A with its interval; figure is told
// whose reading it gets, 0 for A and 1 for B.
func (m *matching) compare(figure func(r *reading, side int) float64) Paired {
	p := Paired{A: figure(&m.a.whole, 0), B: figure(&m.b.whole, 1)}
	p.Difference = Value{Value: p.B - p.A, Low: math.NaN(), High: math.NaN()}
	if math.IsNaN(p.Difference.Value) || math.IsInf(p.Difference.Value, 0) {
		return p
	}
	p.Difference.Defined = true
	if len(m.a.left) < 2 {
		return p
	}
	var left []float64
	for g := range m.a.left {
		d := figure(&m.b.left[g], 1) - figure(&m.a.left[g], 0)
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return p // a value that only one group ever showed has no error to tell
		}
		left = append(left, d)
	}
	interval := Jackknife(p.Difference.Value, left, m.alpha)
	p.Difference.Interval, p.Difference.Low, p.Difference.High = true, interval.Low, interval.High
	return p
}
