package size

import (
	"context"
	"fmt"
	"slices"

	"stalegauge/bus"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// Answer is what a search has found.
type Answer struct {
	Version   string
	Problem   *Problem
	Objective Objective
	Alpha     float64 // of one interval of a verdict
	Looks     int     // at which a design is judged
	Window    float64 // of a short replication, seconds
	Long      float64 // of a long one

	Best        *Found // nil when nothing keeps all limits, or nothing was found in time
	Confirmed   bool   // the best keeps all limits on fresh seeds too
	AsIs        *Found // the scenario as it stands
	RunnerUp    *Found
	Lost        string // why the runner-up did
	Front       []Found
	Sensitive   []Sensitivity // in the order of the limits
	Optional    []OptionalID  // the cheapest first
	OptionalOwn float64       // share of the time on air with all of them that fit
	Counts      Counts
	Infeasible  *Infeasible // when nothing keeps all limits
	Radios      []OnRadio   // where there are several
	Frames      uint64      // of the search; what came after it not counted
	Stopped     bool        // the budget ended the search before it had tried all
	Cut         bool        // the budget left no room to explain all
	Interrupted bool
}

// The search may use this part of a budget; what confirms and explains its result
// takes the rest, as far as it goes.
const (
	searchPart = 7
	wholePart  = 10
)

// Budget is the budget in frames of the bus whose search ends where this one ended.
func (a *Answer) Budget() uint64 { return max(1, a.Frames*wholePart/searchPart) }

// Spent reports whether a search has used its part of a budget.
func Spent(used, budget float64) bool { return used*wholePart >= budget*searchPart }

// Counts say what became of the designs.
type Counts struct {
	Examined  int // in all
	Pruned    map[Bound]int
	Simulated int // at least once
	TooMuch   int // more time on air than size.air
	Missed    int // a limit shown to be missed
	Open      int // undecided after the last look, or in the indifference zone
	Either    int // of those that missed or stayed open: all within the indifference zone
	Met       int // all limits shown to be met
	Costlier  int // than the best: not tried against the limits
	Dropped   int // by paired differences
	Refused   int // met, but not on fresh seeds
	Unseen    int // not tried against the limits, though they may be better: the budget ended before
	Runs      int // replications
}

// Found is a design with what it has shown.
type Found struct {
	Design   Design
	Name     string
	Radio    string
	Settings []Setting
	Own      float64 // share of the time on air
	Occupied float64 // with access time
	Watt     float64 // mean power of the bridge's radio
	Worst    float64 // largest ratio
	Runs     int     // replications
	Held     []study.Held
	Verdict  string // met, missed, undecided, or "" where it was not tried against the limits
}

// Run searches. When ctx ends it returns what was found until then with the error
// of ctx.
func Run(ctx context.Context, p *Problem, o Options) (*Answer, error) {
	s := newSearch(ctx, p, o)
	err := s.work()
	if err != nil && ctx.Err() == nil {
		return nil, err
	}
	a := s.answer()
	a.Interrupted = err != nil
	if err == nil {
		err = s.explain(a)
		if err != nil && ctx.Err() == nil {
			return nil, err
		}
		a.Interrupted = err != nil
	}
	a.Counts = s.counts()
	return a, err
}

// work searches until something is found and confirmed, or nothing is left.
func (s *search) work() error {
	if err := s.explore(); err != nil {
		return err
	}
	for {
		if err := s.settleTies(); err != nil {
			return err
		}
		if s.best == nil || s.best.state == refused {
			return nil
		}
		s.step("confirming", 0, 1)
		good, err := s.confirm(s.best)
		if err != nil || good {
			return err
		}
		s.best.state = refused
		if err := s.next(); err != nil {
			return err
		}
	}
}

// fresh is how far the seeds of a confirmation lie from those of the search.
const fresh = 0x9E3779B97F4A7C15

// confirm tries a candidate on fresh seeds, with the smallest send queue that would
// never have filled, from a plan that is loaded with the settings that are told.
func (s *search) confirm(c *candidate) (bool, error) {
	for _, depth := range s.p.depths() {
		if depth >= c.heights {
			c.Depth = depth
			break
		}
	}
	plan, err := scenarios.Open(s.p.Scenario, s.p.With(&c.Design))
	if err != nil {
		return false, fmt.Errorf("the settings of %s do not load: %w", s.p.Name(&c.Design), err)
	}
	defer plan.Close()
	plan.Seed += fresh
	again := &candidate{Design: c.Design, plan: plan, long: plan, state: ordered, look: firstLong}
	if err := s.decide(again); err != nil {
		return false, err
	}
	if again.state != met {
		return false, nil
	}
	c.long = s.p.apply(&c.Design)
	c.plan = short(c.long, window)
	c.trial, c.own, c.busy, c.worst, c.runs, c.sure = again.trial, again.own, again.busy, again.worst, again.trial.Replications(), true
	s.lead(c)
	return true, nil
}

// next finds the cheapest design of those that are left.
func (s *search) next() error {
	s.best = nil
	if s.o.Objective == MostMargin {
		return s.compareMargins()
	}
	var line []*candidate
	for _, c := range s.all {
		if !c.AsIs && (c.state == ordered || c.state == met || c.state == lesser) {
			line = append(line, c)
		}
	}
	byCost(line)
	for _, c := range line {
		if c.state == ordered && s.spent() {
			continue
		}
		if err := s.decide(c); err != nil {
			return err
		}
		if c.state == met || c.state == lesser {
			c.state = met
			s.lead(c)
			return nil
		}
	}
	return nil
}

// found tells of a candidate.
func (s *search) found(c *candidate) *Found {
	f := &Found{
		Design: c.Design, Name: s.p.Name(&c.Design), Radio: s.p.radios[c.Radio].name(), Settings: s.p.Settings(&c.Design),
		Own: c.own, Occupied: c.busy, Watt: s.p.Plan.Power.Mean(c.own, c.busy), Worst: c.worst, Runs: c.runs,
	}
	switch c.state {
	case met, lesser:
		f.Verdict = string(study.Met)
	case missed:
		f.Verdict = string(study.Missed)
	case undecided:
		f.Verdict = string(study.Undecided)
	}
	if c.trial != nil {
		f.Held = c.trial.Held(s.alpha)
	}
	return f
}

func (s *search) answer() *Answer {
	a := &Answer{Version: s.o.Version, Problem: s.p, Objective: s.o.Objective, Alpha: s.alpha, Looks: len(looks), Frames: s.used, Stopped: s.ended}
	a.Window, a.Long = lengthOf(short(s.p.Plan, window)), lengthOf(s.p.Plan)
	if s.asIs != nil && s.asIs.runs > 0 {
		a.AsIs = s.found(s.asIs)
	}
	if s.best != nil {
		a.Best = s.found(s.best)
		a.Confirmed = s.best.sure
	}
	return a
}

// lengthOf is the length of the common window of all displays, in seconds.
func lengthOf(plan *scenarios.Plan) float64 {
	from, end := plan.Window()
	if len(from) == 0 {
		return 0
	}
	return (end - slices.Max(from)).Seconds()
}

func (s *search) counts() Counts {
	c := Counts{Pruned: map[Bound]int{}, Dropped: s.alikes, Runs: s.runs}
	for _, x := range s.all {
		if x.AsIs {
			continue
		}
		c.Examined++
		if x.runs > 0 {
			c.Simulated++
		}
		switch x.state {
		case pruned:
			c.Pruned[x.by]++
		case unseen:
			c.Unseen++
		case tooMuch:
			c.TooMuch++
		case missed:
			c.Missed++
		case undecided:
			c.Open++
		case ordered:
			if s.best == nil || x.cost < s.best.cost {
				c.Unseen++
			} else {
				c.Costlier++
			}
		case refused:
			c.Refused++
		default:
			c.Met++
		}
		if (x.state == missed || x.state == undecided) && x.either {
			c.Either++
		}
	}
	return c
}

// OnRadio is what a radio can do.
type OnRadio struct {
	Name string
	Best *Found // the cheapest design on it that keeps all limits; nil without one
	Left *Found // the cheapest design on it that was not tried against the limits, when the budget ended before
	Why  string // there is none
}

// Sensitivity is what a limit hangs on most.
type Sensitivity struct {
	Held   study.Held // of the best design
	Key    string     // of the scenario; "" where nothing could be compared
	Shown  bool       // the change is shown, and not only the largest that was estimated
	From   string     // its value
	To     string     // and the one that was tried
	Change float64    // of the ratio
	Low    float64
	High   float64
}

// OptionalID is an identifier that may be forwarded besides.
type OptionalID struct {
	ID      bus.ID
	Message string
	Bytes   int
	Air     float64 // what it adds to the share of the time on air at most
	Fits    bool    // all limits are shown to be met with it and all that are cheaper
	Why     string  // it does not
}
