package study

import (
	"math"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// contest gathers the replications of several designs.
type contest struct {
	designs      []Design
	entries      []entry
	replications int
}

// entry is one design: all of it in a pool, and in groups what the jackknife
// leaves out in turn.
type entry struct {
	pool   *pool
	groups []*group
}

// group is part of the replications of a design.
type group struct {
	signals                           []*age.Track // of the place where the limit counts, by signal of the design
	window, own, occupied, broadcasts float64
}

func newContest(designs []Design) *contest {
	c := &contest{designs: designs}
	for _, d := range designs {
		c.entries = append(c.entries, entry{pool: newPool(d.Plan)})
	}
	return c
}

// plans returns the plans to run; independent ones start from seeds of their own.
func (c *contest) plans(independent bool) []*scenarios.Plan {
	var plans []*scenarios.Plan
	for i, d := range c.designs {
		p := d.Plan
		if independent && i > 0 {
			copied := *p
			copied.Seed += 0x9E3779B97F4A7C15 * uint64(i) // far from every small seed
			p = &copied
		}
		plans = append(plans, p)
	}
	return plans
}

// add folds the same replication of every design in.
func (c *contest) add(runs []*sim.Replication) {
	index := c.replications % MaxGroups
	c.replications++
	for i, run := range runs {
		e := &c.entries[i]
		e.pool.add(run)
		if index == len(e.groups) {
			e.groups = append(e.groups, newGroup(e.pool.plan))
		}
		e.groups[index].add(e.pool.plan, run)
	}
}

func newGroup(plan *scenarios.Plan) *group {
	g := &group{}
	for i := range plan.Receivers {
		for k := range plan.Receivers[i].Shows {
			limit := plan.Receivers[i].Shows[k].Limit
			g.signals = append(g.signals, age.NewTrack(0))
			if limit != nil {
				g.signals[len(g.signals)-1] = age.NewTrack(limit.Value)
			}
		}
	}
	return g
}

func (g *group) add(plan *scenarios.Plan, run *sim.Replication) {
	at := 0
	for i := range run.Receivers {
		for k := range run.Receivers[i].Signals {
			s := &run.Receivers[i].Signals[k]
			track := s.Glass
			if limit := plan.Receivers[i].Shows[k].Limit; limit != nil && limit.At == scenarios.InMemory {
				track = s.Memory
			}
			g.signals[at].Merge(track)
			at++
		}
	}
	g.window += seconds(run.Air.Window)
	g.own += seconds(run.Air.Own)
	g.occupied += seconds(run.Air.Occupied)
	g.broadcasts += float64(run.Air.Broadcasts)
}

func (g *group) merge(h *group) {
	for i, s := range h.signals {
		g.signals[i].Merge(s)
	}
	g.window += h.window
	g.own += h.own
	g.occupied += h.occupied
	g.broadcasts += h.broadcasts
}

// figures are the numbers of a design that are compared. What is not defined is
// not a number.
type figures struct {
	worst, own, occupied, broadcasts float64
	signals                          []signalFigures
}

type signalFigures struct{ mean, p95, p99, over float64 }

// read works the figures of pooled replications out.
func (g *group) read(plan *scenarios.Plan) figures {
	f := figures{own: g.own / g.window, occupied: g.occupied / g.window, broadcasts: g.broadcasts / g.window, worst: math.NaN()}
	at := 0
	for i := range plan.Receivers {
		for k := range plan.Receivers[i].Shows {
			s := readSignal(g.signals[at])
			at++
			if limit := plan.Receivers[i].Shows[k].Limit; limit == nil || limit.Of != scenarios.OfAge {
				s.over = math.NaN()
			} else if ratio := s.p99 / seconds(limit.Value); !(ratio <= f.worst) {
				f.worst = ratio
			}
			f.signals = append(f.signals, s)
		}
	}
	return f
}

func readSignal(t *age.Track) signalFigures {
	if t.Observed() == 0 {
		// Never shown: infinitely late.
		return signalFigures{math.Inf(1), math.Inf(1), math.Inf(1), 1}
	}
	ages := t.Ages()
	return signalFigures{
		mean: t.Mean() / second, p95: ages.Quantile(0.95) / second, p99: ages.Quantile(0.99) / second,
		over: float64(t.OverLimit()) / float64(t.Observed()),
	}
}

// tested is a design's figures: of everything, and with each group left out.
type tested struct {
	whole figures
	left  []figures
}

func (e *entry) test() tested {
	plan := e.pool.plan
	all := newGroup(plan)
	for _, g := range e.groups {
		all.merge(g)
	}
	t := tested{whole: all.read(plan)}
	for out := range e.groups {
		rest := newGroup(plan)
		for i, g := range e.groups {
			if i != out {
				rest.merge(g)
			}
		}
		t.left = append(t.left, rest.read(plan))
	}
	return t
}

// result works out the answer: the figures of each design at confidence 1-single,
// the differences at 1-paired.
func (c *contest) result(single, paired float64) *Comparison {
	r := &Comparison{Designs: c.designs, Confidence: 1 - paired, Replications: c.replications}
	var tests []tested
	for i := range c.entries {
		r.Results = append(r.Results, c.entries[i].pool.result(single))
		tests = append(tests, c.entries[i].test())
	}
	for a := range tests {
		for b := a + 1; b < len(tests); b++ {
			r.Pairs = append(r.Pairs, c.pair(a, b, tests, paired))
		}
	}
	return r
}

func (c *contest) pair(a, b int, tests []tested, alpha float64) Pair {
	of := func(get func(design int, f *figures) float64) Paired {
		return difference(&tests[a], &tests[b], func(f *figures) float64 { return get(a, f) }, func(f *figures) float64 { return get(b, f) }, alpha)
	}
	p := Pair{
		A: a, B: b,
		Worst:               of(func(_ int, f *figures) float64 { return f.worst }),
		OwnShare:            of(func(_ int, f *figures) float64 { return f.own }),
		OwnOccupancy:        of(func(_ int, f *figures) float64 { return f.occupied }),
		BroadcastsPerSecond: of(func(_ int, f *figures) float64 { return f.broadcasts }),
	}
	index := signalIndex(c.designs[b].Plan)
	at := -1
	for i := range c.designs[a].Plan.Receivers {
		receiver := &c.designs[a].Plan.Receivers[i]
		for k := range receiver.Shows {
			at++
			name := [2]string{receiver.Name, receiver.Shows[k].Signal.Name}
			other, both := index[name]
			if !both {
				continue
			}
			slot := [2]int{at, other}
			from := func(get func(s *signalFigures) float64) Paired {
				return of(func(design int, f *figures) float64 {
					if design == a {
						return get(&f.signals[slot[0]])
					}
					return get(&f.signals[slot[1]])
				})
			}
			p.Signals = append(p.Signals, PairedSignal{
				Receiver: name[0], Signal: name[1],
				Mean:      from(func(s *signalFigures) float64 { return s.mean }),
				P95:       from(func(s *signalFigures) float64 { return s.p95 }),
				P99:       from(func(s *signalFigures) float64 { return s.p99 }),
				OverLimit: from(func(s *signalFigures) float64 { return s.over }),
			})
		}
	}
	return p
}

// signalIndex numbers the signals of a design as its figures do.
func signalIndex(plan *scenarios.Plan) map[[2]string]int {
	index := map[[2]string]int{}
	for i := range plan.Receivers {
		for k := range plan.Receivers[i].Shows {
			index[[2]string{plan.Receivers[i].Name, plan.Receivers[i].Shows[k].Signal.Name}] = len(index)
		}
	}
	return index
}

// difference is the figure of b less that of a with its interval.
func difference(a, b *tested, ofA, ofB func(*figures) float64, alpha float64) Paired {
	p := Paired{A: ofA(&a.whole), B: ofB(&b.whole)}
	p.Difference = Value{Value: p.B - p.A, Low: math.NaN(), High: math.NaN()}
	if math.IsNaN(p.Difference.Value) || math.IsInf(p.Difference.Value, 0) {
		return p
	}
	p.Difference.Defined = true
	groups := min(len(a.left), len(b.left))
	if groups < 2 {
		return p
	}
	var left []float64
	for g := range groups {
		d := ofB(&b.left[g]) - ofA(&a.left[g])
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return p // a value that only one group ever showed has no error to tell
		}
		left = append(left, d)
	}
	interval := Jackknife(p.Difference.Value, left, alpha)
	p.Difference.Interval, p.Difference.Low, p.Difference.High = true, interval.Low, interval.High
	return p
}
