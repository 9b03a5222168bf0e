package size

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

// Objective is what a search makes small.
type Objective int

// The objectives.
const (
	LeastAir    Objective = iota // share of the time on air
	LeastEnergy                  // mean power of the bridge's radio
	MostMargin                   // the largest age in units of its limit
)

var objectiveWords = []string{"airtime", "energy", "margin"}

// String returns the objective as the command line has it.
func (o Objective) String() string { return objectiveWords[o] }

// Objectives lists the words of the objectives, in their order.
func Objectives() []string { return slices.Clone(objectiveWords) }

// Options says how to search.
type Options struct {
	Objective Objective
	Version   string
	Workers   int // replications at the same time; 0 = one for each processor that Go may use
	// Ends, when not nil, is asked between two steps whether the search is to end,
	// with the bus frames of all designs so far. What confirms and explains its
	// result comes after that. It must not depend on what was found.
	Ends func(frames uint64) bool
	// Work is told the bus frames so far after each replication. It may be nil.
	Work func(frames uint64)
	// Step is told what is going on, for a display of the progress. It may be nil.
	Step func(what string, done, of int)
	// Observe, when not nil, returns what is told of every replication by which a
	// design is judged from then on.
	Observe func(design string, plan *scenarios.Plan) Observer
	// Best is told, where Observe is set, what has observed the best design so far.
	Best func(Observer)
}

// Observer is told of the replications of a design in their order. It must keep
// nothing of run.
type Observer interface{ Add(run *sim.Replication) }

// looks are when a design is judged: first after short replications, which decide
// most designs, then after some as long as the scenario has them, which it takes to
// see what changes seldom.
var looks = [...]lookAt{{runs: 6}, {runs: 12}, {runs: 24}, {true, 12}, {true, 24}, {true, 48}}

type lookAt struct {
	long bool
	runs int // replications until then
}

// firstLong is the first look at long replications.
const firstLong = 3

const (
	window       = 20 * time.Second // of a short replication
	firstWave    = 48               // designs that are ordered together at first, so that something is found soon
	waveSize     = 192              // and at most later
	crowd        = 8                // designs that take their first look together
	alike        = 1.01             // designs within this factor of a cost have the same
	indifference = .02              // of a limit: a ratio this near to 1 may fall either way
	rounds       = 8                // of designs around the best one
	finalists    = 48               // designs whose means are compared for the margin
)

// state is what became of a design.
type state int

const (
	unseen    state = iota
	pruned          // by a bound
	tooMuch         // of the time on air, as simulated
	ordered         // its cost is known
	missed          // a limit is shown to be missed
	undecided       // a limit is undecided after the last look
	met             // all limits are shown to be met
	refused         // met, but not on fresh seeds
	lesser          // met, and lost to another one of the same cost
)

type candidate struct {
	Design
	plan    *scenarios.Plan // with the short window
	long    *scenarios.Plan // as the scenario has it
	by      Bound
	state   state
	trial   *trial  // while it matters
	look    int     // how many looks were taken
	own     float64 // share of the time on air
	busy    float64 // with access time
	cost    float64
	worst   float64 // ratio
	runs    int     // replications
	broken  []study.Held
	sure    bool // it keeps all limits on fresh seeds too
	either  bool // what was missed or open lies in the indifference zone
	heights int  // most that ever waited in the send queue
}

// search is a search under way.
type search struct {
	p       *Problem
	o       Options
	ctx     context.Context
	bounds  []*limitsOnRadio
	alpha   float64
	all     []*candidate
	known   map[string]bool // designs by their settings
	best    *candidate
	floored *candidate // that has shown a limit to be missed by the bus itself
	asIs    *candidate
	frames  uint64
	used    uint64 // frames when it was asked last whether to go on
	runs    int
	ended   bool // the budget is used up
	alikes  int  // dropped by paired differences
}

func newSearch(ctx context.Context, p *Problem, o Options) *search {
	s := &search{p: p, o: o, ctx: ctx, known: map[string]bool{}, alpha: study.Alpha / float64(max(1, p.limits())*len(looks))}
	for _, r := range p.radios {
		s.bounds = append(s.bounds, p.boundsOf(r))
	}
	return s
}

// short returns the plan with a shorter window, where nothing in it happens at an
// instant of its own.
func short(plan *scenarios.Plan, length time.Duration) *scenarios.Plan {
	out := *plan
	if from, end := plan.Window(); stands(plan) && end-slices.Max(from) > length {
		out.Duration = length
	}
	return &out
}

// stands reports whether nothing in a plan happens at an instant of its own.
func stands(p *scenarios.Plan) bool {
	if len(p.Phases) > 1 || p.Bus.Timeline != nil || p.Bus.Capture != nil || p.FixedPhases || p.Bridge.Stalls != nil {
		return false
	}
	for _, b := range p.Background {
		if b.From > 0 || b.Until > 0 {
			return false
		}
	}
	for _, n := range p.Neighbours {
		if n.From > 0 || n.Until > 0 {
			return false
		}
	}
	for _, r := range p.Receivers {
		if len(r.Weather.Outages) > 0 {
			return false
		}
	}
	return true
}

// add makes a candidate of a design, nil when there is one with its settings.
func (s *search) add(d Design) *candidate {
	key := fmt.Sprint(d.AsIs, s.p.Settings(&d))
	if s.known[key] {
		return nil
	}
	s.known[key] = true
	plan := s.p.apply(&d)
	c := &candidate{Design: d, plan: short(plan, window), long: plan, cost: math.NaN()}
	if c.by = s.bounds[d.Radio].bound(&d, &plan.Bridge); c.by != NoBound {
		c.state = pruned
	}
	s.all = append(s.all, c)
	return c
}

// job is one replication of a candidate.
type job struct {
	c     *candidate
	plan  *scenarios.Plan
	index int
}

// simulate runs jobs and folds them in their order.
func (s *search) simulate(jobs []job, fold func(c *candidate, run *sim.Replication)) error {
	return study.InOrder(s.ctx, s.o.Workers, len(jobs), func(i int) (*sim.Replication, error) {
		run, err := sim.Run(jobs[i].plan, jobs[i].index)
		if err != nil {
			err = fmt.Errorf("design %s: %w", s.p.Name(&jobs[i].c.Design), err)
		}
		return run, err
	}, func(i int, run *sim.Replication) error {
		s.frames += run.Frames
		s.runs++
		if s.o.Work != nil {
			s.o.Work(s.frames)
		}
		fold(jobs[i].c, run)
		return nil
	})
}

// spent reports whether the search has to end here.
func (s *search) spent() bool {
	if s.floored != nil {
		return true // no other design does better
	}
	if !s.ended {
		s.ended, s.used = s.o.Ends != nil && s.o.Ends(s.frames), s.frames
	}
	return s.ended
}

// tired reports whether what explains the result has to end: a search that its
// budget ended leaves the rest of it.
func (s *search) tired() bool {
	return s.ended && (s.frames-s.used)*searchPart > s.used*(wholePart-searchPart)
}

func (s *search) step(what string, done, of int) {
	if s.o.Step != nil {
		s.o.Step(what, done, of)
	}
}

// measure takes the figures of a trial over.
func (s *search) measure(c *candidate, t *study.Trial) []study.Held {
	held := t.Held(s.alpha)
	c.own, c.busy = t.Air()
	c.worst, c.runs = study.Worst(held), max(c.runs, t.Replications())
	c.heights = max(c.heights, t.HighWater("send queue"))
	switch s.o.Objective {
	case LeastAir:
		c.cost = c.own
	case LeastEnergy:
		c.cost = s.p.Plan.Power.Mean(c.own, c.busy)
	default:
		c.cost = c.worst
	}
	return held
}

// order simulates one replication of each of some candidates, which fixes their
// cost. A design may not take more of the time on air than there is for it.
func (s *search) order(wave []*candidate) error {
	var jobs []job
	for _, c := range wave {
		if c.state == unseen {
			jobs = append(jobs, job{c, c.plan, 0})
		}
	}
	return s.simulate(jobs, func(c *candidate, run *sim.Replication) {
		t := study.NewTrial(c.plan)
		t.Add(run)
		s.measure(c, t)
		c.state = ordered
		if most := s.p.Plan.Size.AirShare; most > 0 && c.own > most && !c.AsIs {
			c.state = tooMuch
		}
	})
}

// cheaper reports whether a candidate would be an improvement that counts.
func (s *search) cheaper(c *candidate) bool { return s.best == nil || c.cost < s.best.cost }

// byCost puts candidates in the order of their cost.
func byCost(all []*candidate) {
	slices.SortStableFunc(all, func(a, b *candidate) int { return cmp.Compare(a.cost, b.cost) })
}

// wave orders and races designs.
func (s *search) wave(designs []Design) error {
	var wave []*candidate
	for _, d := range designs {
		if c := s.add(d); c != nil {
			wave = append(wave, c)
		}
	}
	if err := s.order(wave); err != nil {
		return err
	}
	if s.o.Objective == MostMargin {
		return nil
	}
	return s.race(wave)
}

// explore searches the space, then around the best design with smaller and smaller
// steps.
func (s *search) explore() error {
	var own []Design
	for r := range s.p.radios {
		own = append(own, Design{Radio: r, AsIs: true})
	}
	if err := s.wave(own); err != nil {
		return err
	}
	s.asIs = s.all[0]
	designs := s.p.designs()
	size := firstWave
	for done := 0; done < len(designs) && !s.spent(); size = min(2*size, waveSize) {
		n := min(size, len(designs)-done)
		if err := s.wave(designs[done : done+n]); err != nil {
			return err
		}
		done += n
		s.step("designs", done, len(designs))
	}
	if s.o.Objective == MostMargin {
		return s.compareMargins()
	}
	for round, factor := 0, 1.25; round < rounds && s.best != nil && !s.spent(); round++ {
		before := s.best
		if err := s.wave(s.p.around(s.best.Design, factor)); err != nil {
			return err
		}
		if s.best == before {
			factor = math.Sqrt(factor)
		}
	}
	return nil
}

// settleTies compares those that keep all limits at the cost of the best one by
// their margin.
func (s *search) settleTies() error {
	if s.best == nil {
		return nil
	}
	var ties []*candidate
	for _, c := range s.all {
		if c != s.best && !c.AsIs && (c.state == ordered || c.state == met) && c.cost <= alike*s.best.cost {
			ties = append(ties, c)
		}
	}
	byCost(ties)
	ties = ties[:min(len(ties), 3*crowd)]
	group := []*candidate{s.best}
	for _, c := range ties {
		if err := s.decide(c); err != nil {
			return err
		}
		if c.state == met && c.cost <= alike*s.best.cost {
			group = append(group, c)
		}
	}
	best, err := s.keep(group)
	if err != nil {
		return err
	}
	for _, c := range group {
		if c != best {
			c.state = lesser
		}
	}
	s.lead(best)
	return nil
}
