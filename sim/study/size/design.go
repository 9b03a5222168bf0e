package size

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
	"stalegauge/scenarios"
)

// Design is one choice of all that a search may change. It says nothing of what
// the scenario settles.
type Design struct {
	Radio   int           // index into the radios of the problem
	AsIs    bool          // the scenario as it stands; all else is zero
	Policy  bridge.Policy // Kind, and of its parameters those that are searched
	Thin    float64       // shortest gap of an identifier as a share of its tightest limit; 0 = no cap
	Layout  bridge.LayoutKind
	Copies  int
	Spacing time.Duration // with more than one copy
	Ordered bool          // forward list by the limits, the tightest first
	Depth   int           // of the send queue
	Extra   []bus.ID      // forwarded besides what displays show
}

// Setting is a key of a scenario with its value.
type Setting struct{ Block, Key, Value string } // Key is "" where the value is the whole block

// Set writes the setting as --set takes it.
func (s Setting) Set() string {
	if s.Key == "" {
		return s.Block + "=" + s.Value
	}
	return s.Block + "." + s.Key + "=" + s.Value
}

// Text writes settings as a scenario has them.
func Text(all []Setting) string {
	var b strings.Builder
	block := ""
	for _, s := range all {
		if s.Key == "" {
			fmt.Fprintf(&b, "%s: %s\n", s.Block, s.Value)
			continue
		}
		if s.Block != block {
			fmt.Fprintf(&b, "%s:\n", s.Block)
			block = s.Block
		}
		fmt.Fprintf(&b, "  %s: %s\n", s.Key, s.Value)
	}
	return b.String()
}

// duration writes a time as a scenario has it.
func duration(d time.Duration) string {
	switch {
	case d >= time.Second || d == 0:
		return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + "s"
	case d >= time.Millisecond:
		return strconv.FormatFloat(float64(d)/1e6, 'f', -1, 64) + "ms"
	}
	return strconv.FormatFloat(float64(d)/1e3, 'f', -1, 64) + "us"
}

// percent writes a share as a scenario has it, exactly.
func percent(share float64) string { return trim(100*share) + "%" }

// trim writes a number without the noise of binary fractions.
func trim(v float64) string {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// policyText is the block of a policy.
func (d *Design) policyText() string {
	p := &d.Policy
	switch p.Kind {
	case bridge.Fill:
		return "{kind: fill, hold: " + duration(p.Hold) + "}"
	case bridge.Table:
		return fmt.Sprintf("{kind: table, every: %s, by_limits: %t}", duration(p.Every), p.ByLimits)
	case bridge.Change:
		return fmt.Sprintf("{kind: change, min_gap: %s, heartbeat: %s}", duration(p.MinGap), duration(p.Heartbeat))
	case bridge.Slack:
		return "{kind: slack, share: " + percent(p.Slack.Share) + "}"
	}
	return "{kind: " + p.Kind.String() + "}"
}

// Name says what a design is, in a few words.
func (p *Problem) Name(d *Design) string {
	radio := ""
	if len(p.radios) > 1 {
		radio = ", " + p.radios[d.Radio].name()
	}
	if d.AsIs {
		return "the scenario as it stands" + radio
	}
	text := d.Policy.Kind.String()
	switch q := &d.Policy; q.Kind {
	case bridge.Fill:
		text += " " + duration(q.Hold)
	case bridge.Table:
		text += " " + duration(q.Every)
		if q.ByLimits {
			text += " by limits"
		}
	case bridge.Change:
		text += " " + duration(q.MinGap) + ".." + duration(q.Heartbeat)
	case bridge.Slack:
		text += " " + percent(q.Slack.Share)
	}
	if d.Thin > 0 {
		text += ", thinned " + percent(d.Thin)
	}
	text += ", " + d.Layout.String()
	if d.Copies > 1 {
		text += fmt.Sprintf(", %d copies %s apart", d.Copies, duration(d.Spacing))
	}
	if d.Ordered {
		text += ", tightest first"
	}
	return text + radio
}

// kind tells designs apart by more than a timer.
func (d *Design) kind() string {
	return fmt.Sprint(d.Radio, d.AsIs, d.Policy.Kind, d.Policy.ByLimits, d.Thin > 0, d.Layout, d.Copies)
}

// Settings returns what makes a scenario the design.
func (p *Problem) Settings(d *Design) []Setting {
	r := p.radios[d.Radio]
	var all []Setting
	if !d.AsIs {
		if r.listed || d.Ordered || d.Thin > 0 || len(d.Extra) > 0 {
			all = append(all, Setting{"bridge", "forward", r.forwardText(d)})
		}
		repeat := fmt.Sprintf("{copies: %d}", d.Copies)
		if d.Copies > 1 {
			repeat = fmt.Sprintf("{copies: %d, spacing: %s}", d.Copies, duration(d.Spacing))
		}
		all = append(all, Setting{"bridge", "policy", d.policyText()}, Setting{"bridge", "layout", "{kind: " + d.Layout.String() + "}"},
			Setting{"bridge", "repeat", repeat}, Setting{"bridge", "send_queue", fmt.Sprintf("{depth: %d}", d.Depth)})
	}
	if r.block != "" {
		all = append(all, Setting{"radio", "", r.block})
	}
	return all
}

// apply returns the plan of the design: what loading the scenario with its
// settings would give, without reading anything. The plan shares what no design
// changes, a capture among it.
func (p *Problem) apply(d *Design) *scenarios.Plan {
	r := p.radios[d.Radio]
	if d.AsIs {
		return r.asIs
	}
	plan := *r.plan
	c := &plan.Bridge
	r.policy(&c.Policy, &d.Policy)
	c.Policies = nil
	c.Layout.Kind = d.Layout
	c.Repeat = bridge.Repeat{Copies: d.Copies}
	if d.Copies > 1 {
		c.Repeat.Spacing = d.Spacing
	}
	c.SendQueue.Depth = d.Depth
	c.Forward = r.forward(d)
	plan.Neighbours = slices.Clone(plan.Neighbours)
	for i := range plan.Neighbours {
		n := &plan.Neighbours[i].Bridge
		set := n.Layout.Set
		*n = *c
		n.Layout.Set = set
	}
	return &plan
}

// policy lays the searched parameters of a policy over the scenario's, as far as
// it goes by the same kind.
func (r *radioBase) policy(to, searched *bridge.Policy) {
	own := *to
	if own.Kind != searched.Kind {
		*to = bridge.Policy{Kind: searched.Kind}
		if both := own.Kind == bridge.Table || own.Kind == bridge.Change; both && (to.Kind == bridge.Table || to.Kind == bridge.Change) {
			to.Latch = own.Latch
		}
		if both := own.Kind == bridge.Table || own.Kind == bridge.Slack; both && (to.Kind == bridge.Table || to.Kind == bridge.Slack) {
			to.Phase = own.Phase
		}
		if to.Kind == bridge.Slack {
			to.Slack = bridge.DefaultSlack(searched.Slack.Share)
		}
	}
	switch to.Kind {
	case bridge.Fill:
		to.Hold = searched.Hold
	case bridge.Table:
		to.Every, to.ByLimits = searched.Every, searched.ByLimits
	case bridge.Change:
		to.MinGap, to.Heartbeat = searched.MinGap, searched.Heartbeat
	case bridge.Slack:
		to.Slack.Share = searched.Slack.Share
	}
}

// forward is the forward list of a design.
func (r *radioBase) forward(d *Design) []bridge.Forward {
	list := slices.Clone(r.plan.Bridge.Forward)
	for _, id := range d.Extra {
		list = append(list, r.optional[id])
	}
	if d.Ordered {
		slices.SortStableFunc(list, func(a, b bridge.Forward) int {
			return int(min(1, max(-1, tightest(&a)-tightest(&b))))
		})
	}
	if d.Thin > 0 {
		for i := range list {
			if perSecond, ok := capOf(&list[i], d.Thin); ok {
				list[i].MinGap = time.Duration(math.Round(float64(time.Second) / perSecond))
			}
		}
	}
	return list
}

// tightest is what the displays that show an entry leave for the way to them at
// least; the longest time where no limit asks for anything.
func tightest(f *bridge.Forward) time.Duration {
	least := time.Duration(math.MaxInt64)
	for _, v := range f.Need.Views {
		if v.Limit > 0 {
			least = min(least, max(v.Limit-v.Display, time.Millisecond))
		}
	}
	return least
}

// capOf is the rate that thins an entry, in three digits so that it can be written.
func capOf(f *bridge.Forward, thin float64) (perSecond float64, ok bool) {
	gap := tightest(f)
	if gap == math.MaxInt64 {
		return 0, false
	}
	perSecond, _ = strconv.ParseFloat(strconv.FormatFloat(1/(thin*gap.Seconds()), 'g', 3, 64), 64)
	return perSecond, perSecond < 1e5 && perSecond > 1./3600
}

// forwardText is the forward list as a scenario has it.
func (r *radioBase) forwardText(d *Design) string {
	var items []string
	for _, f := range r.forward(d) {
		keys := ""
		if r.watches(d) {
			keys = watchText(r.plan, &f)
		}
		if d.Thin > 0 {
			if perSecond, ok := capOf(&f, d.Thin); ok {
				keys += ", cap: " + trim(perSecond) + "/s"
			}
		}
		if keys == "" {
			items = append(items, f.ID.String())
			continue
		}
		items = append(items, "{id: "+f.ID.String()+keys+"}")
	}
	return "[" + strings.Join(items, ", ") + "]"
}

// watches reports whether the policy of a design asks which changes count.
func (r *radioBase) watches(d *Design) bool {
	policy := r.plan.Bridge.Policy
	r.policy(&policy, &d.Policy)
	return policy.Kind == bridge.Change || policy.Kind == bridge.Slack || policy.Latch
}

// watchText writes what the scenario says of the changes of an entry that count.
func watchText(plan *scenarios.Plan, f *bridge.Forward) string {
	shown := func(s signal.Definition) bool {
		for _, r := range plan.Receivers {
			for _, x := range r.Shows {
				if x.ID == f.ID && x.Signal.Name == s.Name {
					return true
				}
			}
		}
		return false
	}
	if len(f.Watched.Bands) == 0 {
		if len(f.Need.Views) > 0 {
			return ", watch: all"
		}
		return ""
	}
	var bands []string
	for _, b := range f.Watched.Bands {
		if b.DeadBand > 0 || !shown(b.Signal) {
			bands = append(bands, b.Signal.Name+": "+strconv.FormatFloat(b.DeadBand, 'f', -1, 64))
		}
	}
	if bands == nil {
		return ""
	}
	return ", dead_bands: {" + strings.Join(bands, ", ") + "}"
}
