package explain

import (
	"context"
	"fmt"
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Kind says what is explained.
type Kind uint8

// The kinds, the later ones being worse.
const (
	Nothing   Kind = iota // no change that counts, nothing was simulated
	Oldest                // the oldest value: no limit of age was passed
	Violation             // the longest time with an age over the limit
	Change                // the change that was shown latest
	Start                 // the slowest first value after power-up
	Lost                  // a change that was never shown
	Dark                  // a start without any value
)

// Worst is the worst that a search has found.
type Worst struct {
	Kind        Kind
	Replication int
	Length      time.Duration // over the limit, age, delay or time without a value
	Change      sim.WorstChange
}

// Search looks through replications for the worst of one signal on one display.
type Search struct {
	plan            *scenarios.Plan
	receiver, shown int
	limit           *scenarios.Limit
	worst           Worst
}

// NewSearch starts a search for signal number shown of the display with this index.
func NewSearch(plan *scenarios.Plan, receiver, shown int) *Search {
	return &Search{plan: plan, receiver: receiver, shown: shown, limit: plan.Receivers[receiver].Shows[shown].Limit}
}

// Add takes a replication in. Of two that are equally bad the first counts.
func (s *Search) Add(run *sim.Replication) {
	found := s.judge(run)
	found.Replication = run.Index
	if found.Kind > s.worst.Kind || found.Kind == s.worst.Kind && found.Length > s.worst.Length {
		s.worst = found
	}
}

// Worst returns what was found so far.
func (s *Search) Worst() Worst { return s.worst }

// judge finds the worst of one replication.
func (s *Search) judge(run *sim.Replication) Worst {
	signal := &run.Receivers[s.receiver].Signals[s.shown]
	window := run.Span - s.plan.Receivers[s.receiver].PowerUp
	switch {
	case !signal.Seen:
		return Worst{Kind: Dark, Length: window}
	case s.limit != nil && s.limit.Of == scenarios.OfFirstPicture:
		return Worst{Kind: Start, Length: signal.First}
	case s.limit != nil && s.limit.Of == scenarios.OfChange:
		if signal.Values == nil || !signal.Values.Worst.Known {
			return Worst{}
		}
		c := signal.Values.Worst
		kind := Change
		if c.Never {
			kind = Lost
		}
		return Worst{Kind: kind, Length: c.Delay, Change: c}
	}
	track := signal.Glass
	if s.inMemory() {
		track = signal.Memory
	}
	if longest := track.Longest(); longest > 0 {
		return Worst{Kind: Violation, Length: longest}
	}
	if track.Observed() == 0 {
		return Worst{}
	}
	return Worst{Kind: Oldest, Length: track.Ages().Max()}
}

// inMemory reports whether the limit speaks of the value in memory.
func (s *Search) inMemory() bool {
	return s.limit != nil && s.limit.At == scenarios.InMemory && s.limit.Of != scenarios.OfFirstPicture
}

// Explain repeats the replication of the worst and tells how it came about. When
// ctx ends it returns its error.
func (s *Search) Explain(ctx context.Context) (*Explanation, error) {
	e := &Explanation{
		Worst: s.worst, Plan: s.plan, Receiver: &s.plan.Receivers[s.receiver],
		Shown: &s.plan.Receivers[s.receiver].Shows[s.shown], InMemory: s.inMemory(), Again: never,
	}
	if e.Kind == Nothing {
		return e, nil
	}
	from, end := s.plan.Window()
	l := newLocator(e, from[s.receiver], end)
	if err := trace(ctx, e, l.take); err != nil {
		return nil, err
	}
	l.finish()
	e.AtEnd = e.Until == end
	if e.Kind == Violation && e.Until-e.From != e.Length {
		return nil, fmt.Errorf("the trace found a longest time over the limit of %v, the run one of %v", e.Until-e.From, e.Length)
	}
	g := newGatherer(e)
	if err := trace(ctx, e, g.take); err != nil {
		return nil, err
	}
	g.finish()
	return e, nil
}
