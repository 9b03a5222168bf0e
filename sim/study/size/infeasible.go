package size

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// Infeasible says why no design keeps all limits.
type Infeasible struct {
	By      Bound  // that removes every design; NoBound when simulation told
	Why     string // in a sentence
	Clashes []Clash
	Nearest []string // changes to the scenario with which it could be, each by itself
}

// Clash is a limit that cannot be kept, alone or beside the others.
type Clash struct {
	Receiver string
	Shown    scenarios.Shown
	Needs    float64 // the limit in seconds that could be kept; 0 where nobody knows
	Why      string
}

func (c *Clash) key() string { return "receivers." + c.Receiver + ".shows." + c.Shown.Signal.Name }

// infeasible finds out why nothing was found.
func (s *search) infeasible(a *Answer) error {
	if !s.hopeless() && s.floored == nil && s.unseen() {
		return nil // it may only not have been found yet
	}
	for _, f := range []func() *Infeasible{s.byBus, s.byLoss, s.byAir} {
		if x := f(); x != nil {
			a.Infeasible = x
			return nil
		}
	}
	x, err := s.bySimulation()
	a.Infeasible = x
	return err
}

// unseen reports whether the budget ended before all designs were tried.
func (s *search) unseen() bool {
	return s.ended && slices.ContainsFunc(s.all, func(c *candidate) bool { return !c.AsIs && (c.state == unseen || c.state == ordered) }) ||
		s.ended && len(s.all)-len(s.p.radios) < len(s.p.designs())
}

// hopeless reports whether a bound removes every design.
func (s *search) hopeless() bool { return s.byBus() != nil || s.byLoss() != nil || s.byAir() != nil }

// upward rounds a time in seconds up to three digits, so that it can be kept.
func upward(seconds float64) float64 {
	scale := math.Pow(10, math.Floor(math.Log10(seconds))-2)
	return math.Ceil(seconds/scale*(1-1e-9)) * scale
}

// told writes a time in seconds as a scenario has it.
func told(seconds float64) string {
	if seconds >= 1 {
		return trim(seconds) + "s"
	}
	return trim(seconds*1000) + "ms"
}

// byBus finds limits that the bus itself breaks: they are so on every radio.
func (s *search) byBus() *Infeasible {
	b := s.bounds[0]
	x := &Infeasible{By: BusFloor, Why: "the bus tells a value too seldom: no bridge and no radio can keep the limit"}
	for i := range b.asked {
		a := &b.asked[i]
		if floor := b.floors[i].bus; a.aged && floor > guard*a.limit {
			c := Clash{Receiver: a.receiver, Shown: *a.shown, Needs: upward(guard * floor)}
			c.Why = fmt.Sprintf("on the bus every %s, redrawn every %s and drawn for %s: at best %s old %s of the time", told(a.source), told(a.redraw), told(a.draw), told(upward(floor)), percent(a.level))
			x.Clashes = append(x.Clashes, c)
			x.Nearest = append(x.Nearest, c.key()+"="+told(c.Needs))
		}
	}
	return x.orNil()
}

func (x *Infeasible) orNil() *Infeasible {
	if len(x.Clashes) == 0 {
		return nil
	}
	return x
}

// byLoss finds limits that bad states of the radio break, whatever is sent. The
// weather does not depend on the radio.
func (s *search) byLoss() *Infeasible {
	b := s.bounds[0]
	x := &Infeasible{By: LossFloor, Why: "while a bad state of the radio lasts nothing gets through, and it lasts too long too often"}
	for i := range b.asked {
		a := &b.asked[i]
		floor := b.floors[i].loss
		if !a.aged || floor <= guard*a.limit {
			continue
		}
		c := Clash{Receiver: a.receiver, Shown: *a.shown, Needs: upward(guard * floor)}
		c.Why = fmt.Sprintf("%s of the time lost in bursts of %s: at best %s old %s of the time", percent(twoDigits(a.bad)), told(a.burst), told(upward(floor)), percent(a.level))
		x.Clashes = append(x.Clashes, c)
		x.Nearest = append(x.Nearest, c.key()+"="+told(c.Needs))
		if burst := a.longestBurst(); burst > .0002 {
			x.Nearest = append(x.Nearest, fmt.Sprintf("receivers.%s.weather.burst=%s", a.receiver, told(downward(burst))))
		}
	}
	return x.orNil()
}

func downward(v float64) float64 {
	scale := math.Pow(10, math.Floor(math.Log10(v))-1)
	return math.Floor(v/scale*(1+1e-9)) * scale
}

// byAir finds out whether the limits together take more of the radio than it has,
// on every radio and in every layout.
func (s *search) byAir() *Infeasible {
	var best *limitsOnRadio
	layout, least := bridge.LayoutID, math.Inf(1)
	layouts := or(s.p.Plan.Size.Layouts, []bridge.LayoutKind{bridge.LayoutID, bridge.LayoutSlot, bridge.LayoutPacked})
	for _, b := range s.bounds {
		for _, l := range layouts {
			if load := b.load(l, 1); load < least || best == nil {
				best, layout, least = b, l, load
			}
		}
	}
	if !(least > guard) {
		return nil
	}
	m := best.media[layout]
	broadcasts, share := best.needs(layout, 1)
	x := &Infeasible{By: Airtime}
	name := best.base.name()
	switch {
	case math.IsInf(share, 1):
		x.Why = fmt.Sprintf("%s carries %d bytes: a record does not fit into a broadcast", name, m.payload)
	case share/m.most >= broadcasts/m.events:
		x.Why = fmt.Sprintf("together they take at least %.3g %% of the time on air of %s, and there is %.3g %% (%s)", 100*share, name, 100*m.most, m.why)
		if more := upward(share); strings.Contains(m.why, ".") && !strings.Contains(m.why, " ") && more <= 1 {
			x.Nearest = append(x.Nearest, m.why+"="+percent(more))
		}
	default:
		x.Why = fmt.Sprintf("together they take at least %.3g broadcasts a second of %s, which has %.3g", broadcasts, name, m.events)
	}
	low, high := 1.0, 1.0
	for best.load(layout, high) > 1 && high < 1e6 {
		low, high = high, 2*high
	}
	for range 40 {
		if middle := (low + high) / 2; best.load(layout, middle) > 1 {
			low = middle
		} else {
			high = middle
		}
	}
	if high < 1e6 {
		x.Nearest = append(x.Nearest, fmt.Sprintf("all limits %.3g times as long", upward(high)))
	}
	for i := range best.asked {
		a := best.asked[i]
		a.limit *= high
		x.Clashes = append(x.Clashes, Clash{
			Receiver: a.receiver, Shown: *a.shown, Needs: upward(a.limit),
			Why: fmt.Sprintf("at least %.3g sendings a second", best.asked[i].rate()),
		})
	}
	// Those that ask for most come first, and only they are told.
	slices.SortStableFunc(x.Clashes, func(p, q Clash) int { return int(p.Shown.Limit.Value - q.Shown.Limit.Value) })
	x.Clashes = x.Clashes[:min(len(x.Clashes), 6)]
	return x
}

// load is what all limits, stretched, take of a radio: 1 is all of it.
func (l *limitsOnRadio) load(layout bridge.LayoutKind, stretch float64) float64 {
	broadcasts, share := l.needs(layout, stretch)
	m := l.media[layout]
	return max(share/m.most, broadcasts/m.events)
}

// bySimulation tells which limits the design breaks that comes closest, and by how
// much.
func (s *search) bySimulation() (*Infeasible, error) {
	x := &Infeasible{By: NoBound}
	var near *candidate
	for _, c := range s.all {
		if c.runs > 0 && !c.AsIs && (near == nil || c.worst < near.worst) {
			near = c
		}
	}
	if near == nil {
		x.Why = "every design is removed by a bound, none of them by the same for all: see the counts"
		return x, nil
	}
	if s.floored != nil {
		near = s.floored
	}
	again := &candidate{Design: near.Design, plan: near.plan, long: near.long, state: ordered}
	if err := s.decide(again); err != nil {
		return nil, err
	}
	x.Why = fmt.Sprintf("so says simulation, and the one that comes closest is %s at %.3g %% of the time on air", s.p.Name(&near.Design), 100*again.own)
	if len(again.broken) == 0 || s.p.Plan.Size.AirShare > 0 && s.floored == nil {
		if found, err := s.lifted(x); found || err != nil {
			return x, err
		}
	}
	for _, h := range again.broken {
		if s.floored != nil {
			x.By, x.Why = BusFloor, "on the bus itself, as simulated, a value is too old too long: no bridge and no radio can keep the limit"
			if !h.Floor {
				continue
			}
		}
		c := Clash{Receiver: h.Receiver, Shown: h.Shown, Why: h.Why}
		if to := h.Ratio; to.Defined && !math.IsInf(to.Value, 1) {
			most := to.Value
			if to.Interval && !math.IsNaN(to.High) {
				most = max(most, to.High)
			}
			c.Needs = upward(most * h.Shown.Limit.Value.Seconds())
			x.Nearest = append(x.Nearest, c.key()+"="+told(c.Needs))
		}
		if elsewhere := s.keptElsewhere(&h); elsewhere != "" {
			c.Why += "; " + elsewhere
		}
		x.Clashes = append(x.Clashes, c)
	}
	return x, nil
}

// lifted looks for a design that would keep all limits if size.air did not bound it,
// with as much work as is left for explanations.
func (s *search) lifted(x *Infeasible) (bool, error) {
	if s.p.Plan.Size.AirShare == 0 {
		return false, nil
	}
	free, plan := *s.p, *s.p.Plan
	plan.Size.AirShare = 0
	free.Plan = &plan
	most := max(s.used, s.frames) * (wholePart - searchPart) / searchPart
	options := Options{Workers: s.o.Workers, Ends: func(frames uint64) bool { return frames >= most && s.ended }}
	if s.o.Work != nil {
		options.Work = func(frames uint64) { s.o.Work(s.frames + frames) }
	}
	other := newSearch(s.ctx, &free, options)
	err := other.work()
	s.frames, s.runs = s.frames+other.frames, s.runs+other.runs
	if err != nil || other.best == nil {
		return false, err
	}
	x.By = Airtime
	x.Why = fmt.Sprintf("what keeps all limits takes more of the time on air than size.air allows (%s): the cheapest found, %s, takes %.3g %%",
		percent(s.p.Plan.Size.AirShare), s.p.Name(&other.best.Design), 100*other.best.own)
	x.Nearest = append(x.Nearest, "size.air="+percent(upward(other.best.own)))
	for _, h := range other.best.trial.Held(s.alpha) {
		if h.Ratio.Defined && h.Ratio.Value > .8 {
			x.Clashes = append(x.Clashes, Clash{Receiver: h.Receiver, Shown: h.Shown, Why: fmt.Sprintf("at %.3g of the limit even there", h.Ratio.Value)})
		}
	}
	return true, nil
}

// keptElsewhere tells whether another design keeps a limit that the closest one
// breaks: then it clashes with other limits.
func (s *search) keptElsewhere(h *study.Held) string {
	for _, c := range s.all {
		if c.runs < looks[0].runs || len(c.broken) == 0 {
			continue
		}
		if !slices.ContainsFunc(c.broken, func(b study.Held) bool { return b.Receiver == h.Receiver && b.Shown.Signal.Name == h.Shown.Signal.Name }) {
			b := &c.broken[0]
			return fmt.Sprintf("%s does not break it, but breaks %s %s", s.p.Name(&c.Design), b.Receiver, b.Shown.Signal.Name)
		}
	}
	return ""
}
