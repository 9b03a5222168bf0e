package size

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

// explain works out what stands beside the best design, or why there is none.
func (s *search) explain(a *Answer) error {
	steps := []func(*Answer) error{s.tellAsIs, s.perRadio, s.runnerUp, s.sensitivities, s.front, s.optional}
	if s.best == nil {
		steps = []func(*Answer) error{s.tellAsIs, s.infeasible, s.front}
	}
	var errs []error
	for i, f := range steps {
		s.step("explaining", i, len(steps))
		if a.Cut = a.Cut || s.tired(); a.Cut {
			break
		}
		if err := f(a); err != nil {
			errs = append(errs, err)
			break
		}
	}
	if a.Cut && s.best != nil && a.Radios == nil {
		return s.perRadio(a) // without a further replication: nothing is tried any more
	}
	return errors.Join(errs...)
}

// tellAsIs tries the scenario as it stands.
func (s *search) tellAsIs(a *Answer) error {
	if s.asIs == nil {
		return nil
	}
	err := s.decide(s.asIs)
	a.AsIs = s.found(s.asIs)
	return err
}

// mostTried bounds how many designs are tried for a runner-up.
const mostTried = 40

// runnerUp finds the next best design that differs by more than a timer.
func (s *search) runnerUp(a *Answer) error {
	var line []*candidate
	for _, c := range s.all {
		if c != s.best && !c.AsIs && c.kind() != s.best.kind() && c.cost >= s.best.cost/alike && (c.state == ordered || c.state == met || c.state == lesser) {
			line = append(line, c)
		}
	}
	byCost(line)
	for i, c := range line {
		if a.Cut = s.tired(); a.Cut || i == mostTried {
			return nil
		}
		if err := s.decide(c); err != nil {
			return err
		}
		if c.state == met || c.state == lesser {
			a.RunnerUp = s.found(c)
			a.Lost = s.lost(c)
			return nil
		}
	}
	return nil
}

// lost says why a design did not win.
func (s *search) lost(c *candidate) string {
	switch {
	case s.o.Objective == MostMargin:
		return fmt.Sprintf("its worst age is %.3g of the limit, that of the best %.3g", c.worst, s.best.worst)
	case c.cost <= alike*s.best.cost && s.o.Objective == LeastAir:
		return fmt.Sprintf("it costs the same within 1 %%, but its worst age is %.3g of the limit, that of the best %.3g", c.worst, s.best.worst)
	case s.o.Objective == LeastEnergy:
		return fmt.Sprintf("it takes %.3g %% more power", 100*(c.cost/s.best.cost-1))
	}
	return fmt.Sprintf("it takes %.3g %% more time on air", 100*(c.cost/s.best.cost-1))
}

// perRadio finds what each radio can do, where there are several.
func (s *search) perRadio(a *Answer) error {
	for r := range s.p.radios {
		if len(s.p.radios) == 1 {
			return nil
		}
		on := OnRadio{Name: s.p.radios[r].name()}
		if s.best.Radio == r {
			on.Best = a.Best
		} else if err := s.onRadio(r, &on); err != nil {
			return err
		}
		a.Radios = append(a.Radios, on)
	}
	return nil
}

// onRadio finds the cheapest design on a radio that keeps all limits.
func (s *search) onRadio(r int, on *OnRadio) error {
	var line []*candidate
	removed := map[Bound]int{}
	var near *candidate
	for _, c := range s.all {
		if c.Radio != r || c.AsIs {
			continue
		}
		if c.state == pruned {
			removed[c.by]++
			continue
		}
		if c.runs > 0 && (near == nil || c.worst < near.worst) {
			near = c
		}
		if c.state == ordered || c.state == met || c.state == lesser {
			line = append(line, c)
		}
	}
	byCost(line)
	for i, c := range line {
		if s.tired() {
			s.leftOn(on, line[i:])
			return nil
		}
		if i == mostTried {
			on.Why = fmt.Sprintf("the %d cheapest that were tried break limits", mostTried)
			return nil
		}
		if err := s.decide(c); err != nil {
			return err
		}
		if c.state == met || c.state == lesser {
			on.Best = s.found(c)
			return nil
		}
	}
	on.Why = whyNone(s, removed, near)
	return nil
}

// leftOn tells what the search alone has shown of a radio: the cheapest design that
// is known to keep all limits, or else the cheapest that was not tried.
func (s *search) leftOn(on *OnRadio, line []*candidate) {
	for _, c := range line {
		if c.state != ordered {
			on.Best = s.found(c)
			return
		}
	}
	on.Left = s.found(line[0])
	on.Why = fmt.Sprintf("not tried in time; the cheapest left, %s, takes %.3g %% of the time on air", on.Left.Name, 100*on.Left.Own)
}

// whyNone says what keeps a radio from having a design.
func whyNone(s *search, removed map[Bound]int, near *candidate) string {
	if near != nil {
		text := fmt.Sprintf("the closest, %s, takes %.3g %% of the time on air and its worst age is %.3g of the limit", s.p.Name(&near.Design), 100*near.own, near.worst)
		if len(near.broken) > 0 {
			text += ": " + near.broken[0].Receiver + " " + near.broken[0].Shown.Signal.Name
		}
		return text
	}
	most := NoBound
	for b := PayloadSize; b < bounds; b++ {
		if removed[b] > removed[most] {
			most = b
		}
	}
	if most == NoBound {
		return "not tried in time"
	}
	return fmt.Sprintf("bounds remove every design on it, most of them by %s", most)
}

// frontLook is how many replications the designs of the front have at least.
const (
	frontLook   = 12
	frontMost   = 32
	frontWorst  = 1.5 // a design farther beyond a limit is of no interest
	frontLength = 12
)

// front finds the designs that no other one beats in both time on air and margin.
func (s *search) front(a *Answer) error {
	var all []*candidate
	for _, c := range s.all {
		if c.runs > 0 && c.worst <= frontWorst && !c.AsIs && c.state != refused {
			all = append(all, c)
		}
	}
	all = undominated(all)
	for len(all) > frontMost {
		all = slices.Delete(all, 1, 2)
	}
	var jobs []job
	trials := map[*candidate]*study.Trial{}
	for _, c := range all {
		if c.runs < frontLook {
			trials[c] = study.NewTrial(c.plan)
			for i := range frontLook {
				jobs = append(jobs, job{c, c.plan, i})
			}
		}
	}
	if err := s.simulate(jobs, func(c *candidate, run *sim.Replication) { trials[c].Add(run) }); err != nil {
		return err
	}
	for _, c := range all {
		if t := trials[c]; t != nil {
			s.measure(c, t)
		}
	}
	if s.best != nil && !slices.Contains(all, s.best) {
		all = append(all, s.best)
	}
	for _, c := range thinOut(undominated(all), s.best) {
		a.Front = append(a.Front, *s.found(c))
	}
	return nil
}

// undominated keeps what no other candidate beats, the least time on air first.
func undominated(all []*candidate) (out []*candidate) {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(x, y *candidate) int {
		return cmp.Or(cmp.Compare(x.own, y.own), cmp.Compare(x.worst, y.worst))
	})
	least := math.Inf(1)
	for _, c := range all {
		if c.worst < least {
			out, least = append(out, c), c.worst
		}
	}
	return out
}

// thinOut leaves out of a front what lies closest to its neighbours.
func thinOut(all []*candidate, best *candidate) []*candidate {
	for len(all) > frontLength {
		at, least := -1, math.Inf(1)
		for i := 1; i+1 < len(all); i++ {
			if d := all[i-1].worst - all[i+1].worst; d < least && all[i] != best {
				at, least = i, d
			}
		}
		all = slices.Delete(all, at, at+1)
	}
	return all
}

// optional finds how many further identifiers fit, the cheapest first: with a
// bisection, as one that does not fit makes no room for a dearer one.
func (s *search) optional(a *Answer) error {
	ids := s.p.Optional()
	d := s.best.Design
	d.Extra = ids
	costs := scenarios.ForwardCosts(s.p.apply(&d))
	costs = slices.DeleteFunc(costs, func(c scenarios.ForwardCost) bool { return !slices.Contains(ids, c.ID) })
	slices.SortStableFunc(costs, func(x, y scenarios.ForwardCost) int { return cmp.Compare(x.AirShare, y.AirShare) })
	fit, not, why := 0, len(costs)+1, ""
	for try := len(costs); fit+1 < not; try = (fit + not) / 2 {
		if a.Cut = a.Cut || s.tired(); a.Cut {
			break
		}
		d.Extra = nil
		for _, c := range costs[:try] {
			d.Extra = append(d.Extra, c.ID)
		}
		own, broken, err := s.with(d)
		if err != nil {
			return err
		}
		if broken == "" {
			fit, a.OptionalOwn = try, own
		} else {
			not, why = try, broken
		}
	}
	for i, c := range costs {
		o := OptionalID{ID: c.ID, Message: c.Message, Bytes: c.Bytes, Air: c.AirShare, Fits: i < fit}
		switch {
		case o.Fits:
		case i+1 == not:
			o.Why = why
		case i+1 > not:
			o.Why = "a cheaper one does not fit"
		default:
			o.Why = "not tried in time"
		}
		a.Optional = append(a.Optional, o)
	}
	return nil
}

// with tries a design that forwards more than the best one. broken says what it
// breaks, if anything.
func (s *search) with(d Design) (own float64, broken string, err error) {
	plan := s.p.apply(&d)
	if by := s.bounds[d.Radio].bound(&d, &plan.Bridge); by != NoBound {
		return 0, "bound: " + by.String(), nil
	}
	c := &candidate{Design: d, plan: short(plan, window), long: plan, state: ordered}
	if err := s.decide(c); err != nil {
		return 0, "", err
	}
	if c.state != met {
		broken = s.brokenText(c)
	}
	return c.own, broken, nil
}

func (s *search) brokenText(c *candidate) string {
	if len(c.broken) == 0 {
		return "it takes more time on air than size.air"
	}
	h := &c.broken[0]
	return fmt.Sprintf("%s %s is %s", h.Receiver, h.Shown.Signal.Name, h.Verdict)
}
