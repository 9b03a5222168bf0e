package scenarios

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
)

// policyOnly says of the parameters of a policy to which kinds they belong.
var policyOnly = []struct {
	key   string
	kinds []string
}{
	{"hold", []string{"fill"}}, {"max_records", []string{"fill"}},
	{"every", []string{"table"}}, {"phase", []string{"table", "slack"}}, {"only_new", []string{"table"}},
	{"by_limits", []string{"table"}}, {"rotate", []string{"table"}}, {"latch", []string{"table", "change"}},
	{"min_gap", []string{"change"}}, {"heartbeat", []string{"change"}},
	{"share", []string{"slack"}}, {"power", []string{"slack"}}, {"margin", []string{"slack"}}, {"loss", []string{"slack"}},
	{"burst", []string{"slack"}}, {"tick", []string{"slack"}}, {"price", []string{"slack"}}, {"simple", []string{"slack"}},
}

// policies reads the general policy and those that single entries may go by.
func (b *builder) policies(v *value) {
	c := &b.plan.Bridge
	c.Policy = b.policy(v.get("policy"))
	for _, p := range v.get("policies").kids {
		policy := b.policy(p)
		policy.Name = p.name
		c.Policies = append(c.Policies, policy)
	}
}

func (b *builder) policy(v *value) (p bridge.Policy) {
	kind := v.get("kind")
	if !kind.bad {
		for _, only := range policyOnly {
			b.onlyWith(v.get(only.key), kind, only.kinds...)
		}
	}
	p.Kind = policies[kind.str()]
	switch p.Kind {
	case bridge.Fill:
		p.Hold, p.MaxRecords = v.get("hold").time(), v.get("max_records").int()
	case bridge.Table:
		p.Every, p.Phase, p.OnlyNew = v.get("every").time(), v.get("phase").time(), v.get("only_new").truth()
		p.ByLimits, p.Rotate, p.Latch = v.get("by_limits").truth(), v.get("rotate").truth(), v.get("latch").truth()
	case bridge.Change:
		gap, beat := v.get("min_gap"), v.get("heartbeat")
		p.MinGap, p.Heartbeat, p.Latch = gap.time(), beat.time(), v.get("latch").truth()
		if p.Heartbeat > 0 && p.Heartbeat < p.MinGap {
			b.contradiction(fmt.Sprintf("a heartbeat of %s is shorter than the gap of %s", formatDuration(p.Heartbeat), formatDuration(p.MinGap)), "", beat, gap)
		}
	case bridge.Slack:
		p.Phase = v.get("phase").time()
		p.Slack = bridge.SlackRule{
			Share: v.get("share").float(), Power: v.get("power").float(), Margin: v.get("margin").float(),
			Loss: v.get("loss").float(), Burst: v.get("burst").time(), Tick: v.get("tick").time(),
			Price: v.get("price").float(), Simple: v.get("simple").truth(),
		}
	}
	return p
}

// entryPolicy reads what an entry of the forward list says to its policy.
func (b *builder) entryPolicy(item *value, f *bridge.Forward) {
	c := &b.plan.Bridge
	f.Class = item.get("class").int()
	if name := item.get("policy"); name.given && !name.bad {
		i := slices.IndexFunc(c.Policies, func(p bridge.Policy) bool { return p.Name == name.str() })
		if i < 0 {
			var known []string
			for _, p := range c.Policies {
				known = append(known, p.Name)
			}
			b.contradiction("bridge.policies has no policy "+quote(name.str()), didYouMean(name.str(), known), name)
		}
		f.Policy = i + 1
	}
	policy := c.PolicyFor(f)
	if every := item.get("every"); every.int() > 0 {
		f.Every = every.int()
		if policy.Kind != bridge.Table {
			b.contradiction("has no effect with the policy "+policy.Kind.String(), "it belongs to table", every)
		}
	}
	watches := policy.Kind == bridge.Change || policy.Kind == bridge.Slack || policy.Latch
	for _, k := range []*value{item.get("watch"), item.get("dead_bands")} {
		if k.given && !watches {
			b.contradiction("has no effect with the policy "+policy.Kind.String(), "it belongs to change, slack and latch: true", k)
		}
	}
}

// needs tells the bridge what the displays ask of each entry: limits, the time
// the display takes, the bits that are shown. The size of packed records follows
// from it.
func (b *builder) needs(v *value) {
	c := &b.plan.Bridge
	items := map[bus.ID]*value{}
	for _, item := range v.get("forward").kids {
		items[item.get("id").id()] = item
	}
	for i := range c.Forward {
		f := &c.Forward[i]
		signals := b.need(f)
		b.watched(items[f.ID], f, signals)
		for _, s := range signals {
			f.Fields = append(f.Fields, bridge.Field{Start: s.Start, Bits: s.Bits, BigEndian: s.BigEndian, Page: s.Page})
		}
		b.limitless(v, f)
	}
	used := map[int]bool{}
	for _, f := range c.Forward {
		used[f.Policy] = true
	}
	for i, p := range c.Policies {
		if !used[i+1] && len(c.Forward) > 0 {
			b.warn("no entry of the forward list goes by the policy %s", p.Name)
		}
	}
	if c.Airtime != nil {
		b.payload(v, b.root.get("radio").get("payload"))
	}
}

// need collects the displays' wishes for an entry and returns the signals they
// show of it, each once.
func (b *builder) need(f *bridge.Forward) (signals []signal.Definition) {
	f.Need.Period = b.sourcePeriod(f.ID)
	state := true
	for _, r := range b.plan.Receivers {
		for _, s := range r.Shows {
			if s.ID != f.ID {
				continue
			}
			state = state && (s.Class == State || s.Class == Event)
			view := bridge.View{Display: max(r.Redraw, r.MinRedraw) + r.Draw}
			if s.Limit != nil {
				view.Limit = s.Limit.Value
				if s.Limit.At == InMemory {
					view.Display = 0
				}
			}
			f.Need.Views = append(f.Need.Views, view)
			if !slices.ContainsFunc(signals, func(d signal.Definition) bool { return samePlace(&d, &s.Signal) }) {
				signals = append(signals, s.Signal)
			}
		}
	}
	f.Need.State = state && len(signals) > 0
	return signals
}

// samePlace reports whether two definitions are of the same signal of a message.
// Displays may have different names for it.
func samePlace(a, b *signal.Definition) bool {
	return a.Start == b.Start && a.Bits == b.Bits && a.BigEndian == b.BigEndian && a.Page == b.Page
}

// sourcePeriod is the time between two values of an identifier on the bus, its
// pages included; 0 where that is not known.
func (b *builder) sourcePeriod(id bus.ID) time.Duration {
	if c := b.plan.Bus.Capture; c != nil {
		return c.period(id, signal.AnyPage)
	}
	for i := range b.plan.Bus.Messages {
		if m := &b.plan.Bus.Messages[i]; m.ID == id {
			return updatePeriod(m) * time.Duration(max(len(m.Pages), 1))
		}
	}
	return 0
}

// watched sets the changes that count for an entry: of the shown signals and of
// those with a dead-band, or of all bits.
func (b *builder) watched(item *value, f *bridge.Forward, signals []signal.Definition) {
	if item == nil {
		f.Watched.Bands = bands(signals)
		return
	}
	if item.get("watch").is("shown") {
		f.Watched.Bands = bands(signals)
	}
	own := b.signalsOf(f.ID)
	for _, k := range item.get("dead_bands").kids {
		s := slices.IndexFunc(own, func(d signal.Definition) bool { return d.Name == k.name })
		if s < 0 {
			var known []string
			for _, d := range own {
				known = append(known, d.Name)
			}
			b.mistakes = append(b.mistakes, k.keyAt.mistake(k.path, "the unknown signal "+quote(k.name), "a signal of "+f.ID.String(), didYouMean(k.name, known)))
			continue
		}
		if item.get("watch").is("all") {
			b.contradiction("has no effect where all bits are watched", "leave watch out", k, item.get("watch"))
		}
		band := bridge.Band{Signal: own[s], DeadBand: k.float()}
		at := slices.IndexFunc(f.Watched.Bands, func(x bridge.Band) bool { return samePlace(&x.Signal, &own[s]) })
		if at < 0 {
			f.Watched.Bands = append(f.Watched.Bands, band)
		} else {
			f.Watched.Bands[at] = band
		}
	}
}

// bands watches every change of the signals.
func bands(signals []signal.Definition) (all []bridge.Band) {
	for _, s := range signals {
		all = append(all, bridge.Band{Signal: s})
	}
	return all
}

// signalsOf lists the signals that are known of an identifier.
func (b *builder) signalsOf(id bus.ID) (all []signal.Definition) {
	for name, found := range b.signals {
		if strings.Contains(name, ".") && found[0].ID == id {
			all = append(all, found[0].Signal)
		}
	}
	slices.SortFunc(all, func(x, y signal.Definition) int { return strings.Compare(x.Name, y.Name) })
	return all
}

// limitless reports an entry of which a policy that weighs values cannot know how
// urgent they are.
func (b *builder) limitless(v *value, f *bridge.Forward) {
	if b.hasCapture && b.plan.Bus.Capture == nil {
		return // unreadable: periods are not known
	}
	p := b.plan.Bridge.PolicyFor(f)
	if p.Kind != bridge.Slack && !(p.Kind == bridge.Table && p.ByLimits && f.Every == 0) || f.Need.Period > 0 {
		return
	}
	if len(f.Need.Views) > 0 && !slices.ContainsFunc(f.Need.Views, func(w bridge.View) bool { return w.Limit == 0 }) {
		return
	}
	b.contradiction(fmt.Sprintf("%s has neither limits nor a period, so the policy %s cannot weigh it", f.ID, p.Kind), "give its signals limits, or let it go by another policy", v.get("forward"))
}
