package size

import (
	"math"
	"slices"
	"strconv"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

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
	const runs = 12
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
			shown := interval.Low > 0 || interval.High < 0
			if shown && !x.Shown || shown == x.Shown && math.Abs(mean) > math.Abs(x.Change) {
				x.Key, x.From, x.To, x.Shown, x.Change, x.Low, x.High = all[k].key, all[k].from, all[k].to, shown, mean, interval.Low, interval.High
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
	longer := func(d time.Duration) time.Duration { return time.Duration(float64(d) * more).Round(time.Microsecond) }
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
		add("bridge.policy.share", percent(old), percent(min(1, old*more)), func(p *scenarios.Plan) { p.Bridge.Policy.Slack.Share = min(1, old*more) })
	}
	if s.best.Thin > 0 {
		d := s.best.Design
		d.Thin = min(1, d.Thin*more)
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
