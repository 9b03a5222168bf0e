package size

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

// explain works out what stands beside the best design, or why there is none.
func (s *search) explain(a *Answer) error {
	steps := []func(*Answer) error{s.tellAsIs, s.runnerUp, s.front, s.sensitivities, s.optional}
	if s.best == nil {
		steps = []func(*Answer) error{s.tellAsIs, s.infeasible, s.front}
	}
	var errs []error
	for i, f := range steps {
		s.step("explaining", i, len(steps))
		if err := f(a); err != nil {
			errs = append(errs, err)
			break
		}
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
		if c != s.best && !c.AsIs && c.kind() != s.best.kind() && (c.state == ordered || c.state == met || c.state == lesser) {
			line = append(line, c)
		}
	}
	byCost(line)
	for i, c := range line {
		if i == mostTried {
			break
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
	case c.cost <= alike*s.best.cost:
		return fmt.Sprintf("it costs the same within 1 %%, but its worst age is %.3g of the limit, that of the best %.3g", c.worst, s.best.worst)
	case s.o.Objective == LeastEnergy:
		return fmt.Sprintf("it takes %.3g %% more power", 100*(c.cost/s.best.cost-1))
	}
	return fmt.Sprintf("it takes %.3g %% more time on air", 100*(c.cost/s.best.cost-1))
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

// variation is one change whose effect is measured.
type variation struct {
	key, from, to string
	plan          *scenarios.Plan
}

// more is the factor of the change.
const more = 1.25

// sensitivities finds for each limit which change of a quarter moves its ratio
// most, by paired differences.
func (s *search) sensitivities(a *Answer) error {
	base := short(s.best.long, seldom(s.best.long))
	all := append([]variation{{plan: base}}, s.variations(base)...)
	const runs = 8
	var jobs []job
	for i := range runs {
		for k := range all {
			jobs = append(jobs, job{&candidate{Design: s.best.Design, plan: all[k].plan}, all[k].plan, i})
		}
	}
	ratios := make([][][]float64, len(all)) // by variation, replication and limit
	at := 0
	err := s.simulate(jobs, func(c *candidate, run *sim.Replication) {
		t := study.NewTrial(c.plan)
		t.Add(run)
		var row []float64
		for _, h := range t.Held(study.Alpha) {
			v := math.NaN()
			if h.Ratio.Defined {
				v = math.Min(farthest, h.Ratio.Value)
			}
			row = append(row, v)
		}
		ratios[at%len(all)] = append(ratios[at%len(all)], row)
		at++
	})
	if err != nil {
		return err
	}
	for i, h := range a.Best.Held {
		x := Sensitivity{Held: h}
		for k := 1; k < len(all); k++ {
			var differences []float64
			for r := range runs {
				if d := ratios[k][r][i] - ratios[0][r][i]; !math.IsNaN(d) {
					differences = append(differences, d)
				}
			}
			if len(differences) < 2 {
				continue
			}
			// The largest of several is looked for: Bonferroni over the changes.
			mean, interval := study.TInterval(differences, study.Alpha/float64(len(all)-1))
			if shown := interval.Low > 0 || interval.High < 0; shown && math.Abs(mean) > math.Abs(x.Change) {
				x.Key, x.From, x.To, x.Change, x.Low, x.High = all[k].key, all[k].from, all[k].to, mean, interval.Low, interval.High
			}
		}
		a.Sensitive = append(a.Sensitive, x)
	}
	return nil
}

// seldom is the window in which every signal whose changes a limit speaks of has
// changed.
func seldom(plan *scenarios.Plan) time.Duration {
	longest := window
	for _, r := range plan.Receivers {
		for _, s := range r.Shows {
			if s.Limit == nil || s.Limit.Of != scenarios.OfChange {
				continue
			}
			for i := range plan.Bus.Messages {
				m := &plan.Bus.Messages[i]
				for _, f := range m.Fields {
					if m.ID == s.ID && f.Signal.Name == s.Signal.Name {
						longest = max(longest, f.Value.Every+s.Limit.Value)
					}
				}
			}
		}
	}
	return longest
}

// variations lists the plans with one parameter a quarter larger: the timers of the
// design, and what it has to live with.
func (s *search) variations(base *scenarios.Plan) (all []variation) {
	longer := func(d time.Duration) time.Duration { return roundTime(float64(d) * more) }
	add := func(key, from, to string, change func(p *scenarios.Plan)) {
		p := *base
		p.Receivers, p.Background = slices.Clone(p.Receivers), slices.Clone(p.Background)
		p.Bridge.Forward = slices.Clone(p.Bridge.Forward)
		change(&p)
		all = append(all, variation{key, from, to, &p})
	}
	timer := func(key string, of func(p *scenarios.Plan) *time.Duration) {
		old := *of(base)
		if old > 0 {
			add(key, duration(old), duration(longer(old)), func(p *scenarios.Plan) { *of(p) = longer(old) })
		}
	}
	kind := base.Bridge.Policy.Kind
	switch kind {
	case bridge.Fill:
		timer("bridge.policy.hold", func(p *scenarios.Plan) *time.Duration { return &p.Bridge.Policy.Hold })
	case bridge.Table:
		timer("bridge.policy.every", func(p *scenarios.Plan) *time.Duration { return &p.Bridge.Policy.Every })
	case bridge.Change:
		timer("bridge.policy.min_gap", func(p *scenarios.Plan) *time.Duration { return &p.Bridge.Policy.MinGap })
		timer("bridge.policy.heartbeat", func(p *scenarios.Plan) *time.Duration { return &p.Bridge.Policy.Heartbeat })
	case bridge.Slack:
		old := base.Bridge.Policy.Slack.Share
		add("bridge.policy.share", percent(old), percent(min(1, twoDigits(old*more))), func(p *scenarios.Plan) { p.Bridge.Policy.Slack.Share = min(1, twoDigits(old*more)) })
	}
	if s.best.Thin > 0 {
		d := s.best.Design
		d.Thin = min(1, twoDigits(d.Thin*more))
		add("bridge.forward.*.cap", percent(s.best.Thin)+" of the limit apart", percent(d.Thin), func(p *scenarios.Plan) { p.Bridge.Forward = s.p.radios[d.Radio].forward(&d) })
	}
	if base.Bridge.Repeat.Copies > 1 {
		timer("bridge.repeat.spacing", func(p *scenarios.Plan) *time.Duration { return &p.Bridge.Repeat.Spacing })
	}
	copies := base.Bridge.Repeat.Copies
	add("bridge.repeat.copies", strconv.Itoa(copies), strconv.Itoa(copies+1), func(p *scenarios.Plan) {
		p.Bridge.Repeat.Copies++
		if p.Bridge.Repeat.Spacing == 0 {
			p.Bridge.Repeat.Spacing = 20 * ms
		}
	})
	for i := range base.Background {
		b := &base.Background[i]
		if to := min(1, b.Share*more); b.Share > 0 {
			add("air.background."+b.Name+".share", percent(b.Share), percent(to), func(p *scenarios.Plan) { p.Background[i].Share = to })
		}
	}
	displayVariations(base, add, longer)
	return all
}

// displayVariations change what the displays and their weather are.
func displayVariations(base *scenarios.Plan, add func(key, from, to string, change func(p *scenarios.Plan)), longer func(time.Duration) time.Duration) {
	for i := range base.Receivers {
		r := &base.Receivers[i]
		key := "receivers." + r.Name + "."
		if r.Redraw > 0 {
			add(key+"redraw", duration(r.Redraw), duration(longer(r.Redraw)), func(p *scenarios.Plan) { p.Receivers[i].Redraw = longer(r.Redraw) })
		}
		if w := r.Weather; w.Trace == nil && w.Loss > 0 {
			if to := w.Loss * more; to < 1 {
				add(key+"weather.loss", percent(w.Loss), percent(to), func(p *scenarios.Plan) { p.Receivers[i].Weather.Loss = to })
			}
			if w.Burst > 0 {
				add(key+"weather.burst", duration(w.Burst), duration(longer(w.Burst)), func(p *scenarios.Plan) { p.Receivers[i].Weather.Burst = longer(w.Burst) })
			}
		}
	}
}

// optional tries to forward further identifiers, the cheapest first.
func (s *search) optional(a *Answer) error {
	ids := s.p.Optional()
	d := s.best.Design
	d.Extra = ids
	costs := scenarios.ForwardCosts(s.p.apply(&d))
	costs = slices.DeleteFunc(costs, func(c scenarios.ForwardCost) bool { return !slices.Contains(ids, c.ID) })
	slices.SortStableFunc(costs, func(x, y scenarios.ForwardCost) int { return cmp.Compare(x.AirShare, y.AirShare) })
	d.Extra = nil
	before := s.best.own
	full := false
	for _, cost := range costs {
		o := OptionalID{ID: cost.ID, Message: cost.Message, Bytes: cost.Bytes}
		if full {
			o.Why = "not tried: a cheaper one does not fit"
			a.Optional = append(a.Optional, o)
			continue
		}
		d.Extra = append(slices.Clone(d.Extra), cost.ID)
		plan := s.p.apply(&d)
		c := &candidate{Design: d, plan: short(plan, window), long: plan, state: ordered}
		if by := s.bounds[d.Radio].bound(&d, &plan.Bridge); by != NoBound {
			o.Why, full = "bound: "+by.String(), true
		} else if err := s.decide(c); err != nil {
			return err
		} else {
			o.Air, before = c.own-before, c.own
			o.Fits = c.state == met && !(s.p.Plan.Size.AirShare > 0 && c.own > s.p.Plan.Size.AirShare)
			if full = !o.Fits; full {
				o.Why = "with it " + s.brokenText(c)
			}
		}
		a.Optional = append(a.Optional, o)
	}
	return nil
}

func (s *search) brokenText(c *candidate) string {
	if len(c.broken) == 0 {
		return "it takes more time on air than size.air"
	}
	h := &c.broken[0]
	return fmt.Sprintf("%s %s is %s", h.Receiver, h.Shown.Signal.Name, h.Verdict)
}
