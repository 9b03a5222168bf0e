package study

import (
	"math"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// contest gathers the replications of several designs. Its memory does not depend
// on how many replications there are.
type contest struct {
	designs      []Design
	entries      []entry
	replications int
	frames       uint64 // of the bus, all designs together
}

// entry is one design: all of it in a pool, and in groups what the jackknife
// leaves out in turn.
type entry struct {
	pool    *pool
	spreads [][]*age.Spread // by signal of the design and group, of the place where the limit counts
	windows [][]float64     // by signal and group, seconds
	values  [][]*valueSums  // by signal and group
	air     []airSums       // by group
}

// airSums are the sums over a group whose ratios to the window are compared.
type airSums struct{ window, own, occupied, broadcasts float64 }

func newContest(designs []Design) *contest {
	c := &contest{designs: designs}
	for _, d := range designs {
		e := entry{pool: newPool(d.Plan)}
		eachSignal(d.Plan, func(int, signalName, *scenarios.Shown) {
			e.spreads = append(e.spreads, nil)
			e.windows = append(e.windows, nil)
			e.values = append(e.values, nil)
		})
		c.entries = append(c.entries, e)
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
	group := c.replications % MaxGroups
	c.replications++
	for i, run := range runs {
		c.frames += run.Frames
		c.entries[i].add(group, run)
	}
}

func (e *entry) add(group int, run *sim.Replication) {
	e.pool.add(run)
	if group == len(e.air) {
		e.air = append(e.air, airSums{})
		for at := range e.spreads {
			e.spreads[at] = append(e.spreads[at], &age.Spread{})
			e.windows[at] = append(e.windows[at], 0)
			e.values[at] = append(e.values[at], &valueSums{})
		}
	}
	at := 0
	for i := range run.Receivers {
		r := &run.Receivers[i]
		for k := range r.Signals {
			track := r.Signals[k].Glass
			if limit := e.pool.plan.Receivers[i].Shows[k].Limit; limit != nil && limit.At == scenarios.InMemory {
				track = r.Signals[k].Memory
			}
			e.spreads[at][group].Add(track)
			e.windows[at][group] += seconds(r.Window)
			e.values[at][group].note(r.Signals[k].Values)
			at++
		}
	}
	e.air[group].add(airSums{seconds(run.Air.Window), seconds(run.Air.Own), seconds(run.Air.Occupied), float64(run.Air.Broadcasts)}, 1)
}

func (a *airSums) add(b airSums, times float64) {
	a.window += times * b.window
	a.own += times * b.own
	a.occupied += times * b.occupied
	a.broadcasts += times * b.broadcasts
}

// The figures of a signal that are compared.
const (
	figureMean = iota
	figureP95
	figureP99
	figureOver
	figureUnknown
	figureLate
	figureWrong
	figureDelay // of changes, at the share of the limit; those never shown count as infinite
	signalFigures
)

// reading is what a design shows: of everything, or with a group left out. What is
// not defined is not a number; the age of a signal that is never shown is infinite.
type reading struct {
	own, occupied, broadcasts float64
	signals                   [][signalFigures]float64
	limits                    []limit // by signal
}

// readings are those of all, and with each group left out.
type readings struct {
	whole reading
	left  []reading
}

func (e *entry) read() *readings {
	r := &readings{left: make([]reading, len(e.air))}
	var limits []limit
	eachSignal(e.pool.plan, func(at int, _ signalName, s *scenarios.Shown) {
		limits = append(limits, limitOf(s))
		aged := s.Limit != nil && s.Limit.Of == scenarios.OfAge
		window := 0.0
		for _, w := range e.windows[at] {
			window += w
		}
		age.LeaveOneOut(e.spreads[at], func(all *age.Spread) {
			r.whole.signals = append(r.whole.signals, readSignal(all, window, aged))
		}, func(g int, others *age.Spread) {
			r.left[g].signals = append(r.left[g].signals, readSignal(others, window-e.windows[at][g], aged))
		})
		if s.FollowsValues() {
			e.readValues(r, at, s)
		}
	})
	var sum airSums
	for _, a := range e.air {
		sum.add(a, 1)
	}
	r.whole.finish(sum, limits)
	for g, a := range e.air {
		rest := sum
		rest.add(a, -1)
		r.left[g].finish(rest, limits)
	}
	return r
}

func (r *reading) finish(a airSums, limits []limit) {
	r.own, r.occupied, r.broadcasts, r.limits = a.own/a.window, a.occupied/a.window, a.broadcasts/a.window, limits
}

func readSignal(s *age.Spread, window float64, limited bool) [signalFigures]float64 {
	observed := seconds(s.Observed())
	f := [signalFigures]float64{math.Inf(1), math.Inf(1), math.Inf(1), math.NaN(), 1 - observed/window, math.NaN(), math.NaN(), math.NaN()}
	if observed > 0 {
		f[figureMean], f[figureP95], f[figureP99] = s.Mean()/second, s.Quantile(.95)/second, s.Quantile(.99)/second
		if limited {
			f[figureOver] = seconds(s.OverLimit()) / observed
		}
	}
	return f
}

// result works out the answer: the figures of each design at confidence 1-alpha,
// the differences at 1-alpha over the number of pairs (Bonferroni).
func (c *contest) result(pairs [][2]int, alpha float64) *Comparison {
	single := alpha / float64(len(pairs))
	r := &Comparison{Designs: c.designs, Confidence: 1 - single, Replications: c.replications, Frames: c.frames}
	var all []*readings
	for i := range c.entries {
		r.Results = append(r.Results, c.entries[i].pool.result(alpha))
		all = append(all, c.entries[i].read())
	}
	r.Simulated = r.Results[0].Simulated
	key, found := c.key(all)
	if found {
		r.Key = KeySignal{key.receiver, key.signal}
	}
	for _, p := range pairs {
		r.Pairs = append(r.Pairs, c.pair(p[0], p[1], all, key, single))
	}
	return r
}

// key finds the signal of [KeySignal].
func (c *contest) key(all []*readings) (best signalName, found bool) {
	type standing struct {
		limit, period float64 // p99 in units of them, summed over the designs
		designs       int
	}
	standings := map[signalName]standing{}
	limited := false
	for i, d := range c.designs {
		eachSignal(d.Plan, func(at int, name signalName, s *scenarios.Shown) {
			p99 := all[i].whole.signals[at][figureP99]
			if math.IsInf(p99, 1) {
				return
			}
			k := standings[name]
			k.designs++
			aged := s.Limit != nil && s.Limit.Of == scenarios.OfAge
			if aged {
				k.limit += p99 / seconds(s.Limit.Value)
			}
			if s.Period > 0 {
				k.period += p99 / seconds(s.Period)
			}
			standings[name] = k
			limited = limited || aged && k.designs == len(c.designs)
		})
	}
	most := math.Inf(-1)
	eachSignal(c.designs[0].Plan, func(_ int, name signalName, _ *scenarios.Shown) {
		k := standings[name]
		standing := k.period
		if limited {
			standing = k.limit
		}
		if k.designs == len(c.designs) && standing > most {
			best, most, found = name, standing, true
		}
	})
	return best, found
}
