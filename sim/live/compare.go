package live

import (
	"fmt"
	"slices"
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
	"stalegauge/sim/study"
)

// Alignment returns what [ListenerConfig.Align] asks for, from the simulation of a
// prepared plan up to the end of its window: of every sequence number the first
// broadcast that has it.
func Alignment(plan *scenarios.Plan) (func(number uint16) (handed, left time.Duration, ok bool), error) {
	type instants struct{ handed, left time.Duration }
	first := map[uint16]instants{}
	_, err := sim.RunTapped(plan, 0, func(s sim.Sending) {
		if _, known := first[s.Broadcast.Sequence]; !known && s.Vehicle == 0 {
			first[s.Broadcast.Sequence] = instants{s.Broadcast.SendTime, s.At}
		}
	})
	return func(number uint16) (time.Duration, time.Duration, bool) {
		i, ok := first[number]
		return i.handed, i.left, ok
	}, err
}

// Rule says when a live measurement counts as the prediction come true.
const (
	// ageTolerance is what an age may differ by beside the host's lateness.
	ageTolerance = 2 * time.Millisecond
	// BusyLateness is the lateness, 99 % of the datagrams, above which a host is too
	// busy for a verdict on ages.
	BusyLateness = 5 * time.Millisecond
	// leastAges is the time that ages must have been observed for a comparison.
	leastAges = 2 * time.Second
)

// Comparison is the prediction beside the measurement of one signal on one display,
// in seconds, ages weighted by time.
type Comparison struct {
	Receiver, Signal string
	Live, Predicted  study.Signal
	// Agrees: the median and the age of 95 % of the time lie, within the tolerance,
	// between what is predicted without and with the host's lateness.
	Agrees   bool
	Compared bool // there was enough of both
}

// Outcome is the measurement with its prediction.
type Outcome struct {
	*Measured
	Live, Predicted *study.Result   // Live is nil without ages
	Lagging         []*study.Result // predicted with the host's lateness
	Comparisons     []Comparison
	Tolerance       time.Duration // of ages
	Late            time.Duration // 99 % of the datagrams were not later, of sender and listener the worse
	Busy            bool          // Late is above BusyLateness: no verdict on ages
	Note            string        // why nothing is compared, or ""
}

// Judge works out what was measured and predicts it. plan is the scenario as it was
// before [Prepare], sent the lateness of the sender, nil where it is not known, and
// predict whether there is to be a prediction.
func Judge(m *Measured, plan *scenarios.Plan, desk Desk, sent *age.Points, predict bool) (*Outcome, error) {
	o := &Outcome{Measured: m, Late: quantile(m.Lateness, 0.99)}
	if sent != nil {
		o.Late = max(o.Late, quantile(sent, 0.99))
	}
	o.Tolerance = ageTolerance + o.Late
	o.Busy = o.Late > BusyLateness
	switch {
	case m.Run == nil:
		o.Note = "no ages were measured"
		return o, nil
	case !predict:
		o.Note = "another speed than 1x: the bus runs faster than the one simulated"
		return o, nil
	}
	desk.Span = m.Span
	prepared, err := Prepare(plan, desk)
	if err != nil {
		return nil, err
	}
	prepared.Replications = 1
	if m.Span < warmUp(prepared)+leastAges {
		o.Note = fmt.Sprintf("too short: ages count from %v on, for %v at least", warmUp(prepared), leastAges)
		return o, nil
	}
	alone := *prepared
	alone.Neighbours = nil // the listener knows of one vehicle
	o.Live = study.Of(&alone, m.Run)
	if o.Predicted, err = simulate(prepared, 0); err != nil {
		return nil, err
	}
	// A value that just catches a redraw waits for the next one when the host is a
	// little late: what lateness alone does to the ages is simulated too.
	lateness := []time.Duration{o.Late}
	if m.Lateness != nil {
		lateness = append(lateness, quantile(m.Lateness, 0.5))
	}
	for _, late := range lateness {
		r, err := simulate(prepared, late)
		if err != nil {
			return nil, err
		}
		o.Lagging = append(o.Lagging, r)
	}
	o.compare()
	return o, nil
}

// simulate simulates the first replication of a plan, every broadcast reaching the
// displays so much late.
func simulate(plan *scenarios.Plan, late time.Duration) (*study.Result, error) {
	lagging := *plan
	lagging.Receivers = slices.Clone(plan.Receivers)
	for i := range lagging.Receivers {
		lagging.Receivers[i].Copy += late
	}
	run, err := sim.Run(&lagging, 0)
	if err != nil {
		return nil, err
	}
	return study.Of(plan, run), nil
}

func quantile(p *age.Points, level float64) time.Duration {
	if p == nil || p.Count() == 0 {
		return 0
	}
	return time.Duration(p.Quantile(level))
}

func (o *Outcome) compare() {
	for i := range o.Live.Receivers {
		for k := range o.Live.Receivers[i].Signals {
			c := Comparison{
				Receiver: o.Live.Receivers[i].Name, Live: o.Live.Receivers[i].Signals[k], Predicted: o.Predicted.Receivers[i].Signals[k],
			}
			c.Signal = c.Live.Shown.Signal.Name
			c.Compared = c.Live.Observed > 0 && c.Predicted.Observed > 0
			c.Agrees = c.Compared && o.near(i, k, func(s *study.Signal) study.Value { return s.Age.P50 }) &&
				o.near(i, k, func(s *study.Signal) study.Value { return s.Age.P95 })
			o.Comparisons = append(o.Comparisons, c)
		}
	}
}

// near reports whether a figure of a signal lies between those of the predictions,
// within the tolerance. Quantiles are read off buckets of a relative width of 1/128.
func (o *Outcome) near(receiver, signal int, figure func(*study.Signal) study.Value) bool {
	of := func(r *study.Result) study.Value { return figure(&r.Receivers[receiver].Signals[signal]) }
	live, first := of(o.Live), of(o.Predicted)
	if !live.Defined || !first.Defined {
		return false
	}
	low, high := first.Value, first.Value
	for _, r := range o.Lagging {
		if v := of(r); v.Defined {
			low, high = min(low, v.Value), max(high, v.Value)
		}
	}
	slack := o.Tolerance.Seconds() + high/128
	return live.Value >= low-slack && live.Value <= high+slack
}

// Agrees reports whether every signal that could be compared agrees.
func (o *Outcome) Agrees() bool {
	for i := range o.Comparisons {
		if c := &o.Comparisons[i]; c.Compared && !c.Agrees {
			return false
		}
	}
	return true
}

// Met reports whether the host was fit to tell and every limit was met that can be
// judged without knowing what the bus carried.
func (o *Outcome) Met() bool {
	if o.Busy {
		return false
	}
	if o.Live == nil {
		return true
	}
	for i := range o.Live.Receivers {
		for k := range o.Live.Receivers[i].Signals {
			s := &o.Live.Receivers[i].Signals[k]
			told := s.Shown.Limit == nil || s.Shown.Limit.Of != scenarios.OfChange || s.Values != nil
			if told && s.Verdict != study.Met && s.Verdict != study.NoLimit {
				return false
			}
		}
	}
	return true
}
