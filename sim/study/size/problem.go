package size

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Problem is a scenario to find a design for.
type Problem struct {
	Scenario string   // its name, or its file
	Sets     []string // changes to it, as --set takes them
	Plan     *scenarios.Plan
	radios   []*radioBase
}

// radioBase is the scenario on one radio.
type radioBase struct {
	choice   scenarios.RadioChoice // the zero value is the scenario's own
	interval time.Duration         // of advertising events; 0 = as it is
	block    string                // of settings; "" = the scenario's own
	asIs     *scenarios.Plan       // of the scenario as it stands on this radio
	plan     *scenarios.Plan       // that forwards what displays show and nothing else
	listed   bool                  // that takes a forward list of its own
	optional map[bus.ID]bridge.Forward
}

func (r *radioBase) name() string {
	name := r.choice.String()
	if name == "" {
		name = r.plan.Radio.Name()
	}
	if r.interval > 0 {
		name += " every " + duration(r.interval)
	}
	return name
}

// Open reads a scenario with changes as --set takes them, once for each radio that
// is to be tried. All mistakes are returned at once as [scenarios.Mistakes]. The
// caller must close the problem.
func Open(name string, sets []string) (*Problem, error) {
	plan, err := scenarios.Open(name, sets)
	if err != nil {
		return nil, err
	}
	p := &Problem{Scenario: name, Sets: sets, Plan: plan}
	if p.limits() == 0 {
		err := fmt.Errorf("%s: no display asks for a limit, so that any design would do: give one, such as receivers.NAME.shows.SIGNAL=250ms", name)
		return nil, errors.Join(err, p.Close())
	}
	choices := plan.Size.Radios
	if choices == nil {
		choices = []scenarios.RadioChoice{{}}
	}
	for _, choice := range choices {
		intervals := []time.Duration{0}
		if advertises(plan, choice) {
			if intervals = plan.Size.Interval; intervals == nil {
				intervals = []time.Duration{20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond}
				if choice.Profile == "" || choice.Profile == plan.Radio.Name() {
					intervals = append([]time.Duration{0}, intervals...)
				}
			}
		}
		for _, interval := range intervals {
			r, err := p.base(choice, interval)
			if err != nil {
				return nil, errors.Join(err, p.Close())
			}
			p.radios = append(p.radios, r)
		}
	}
	return p, nil
}

// Close closes what the plans hold open.
func (p *Problem) Close() error {
	err := p.Plan.Close()
	for _, r := range p.radios {
		err = errors.Join(err, r.asIs.Close())
		if r.plan != r.asIs {
			err = errors.Join(err, r.plan.Close())
		}
	}
	return err
}

// Radios names the radios that are tried.
func (p *Problem) Radios() (names []string) {
	for _, r := range p.radios {
		names = append(names, r.name())
	}
	return names
}

func advertises(plan *scenarios.Plan, c scenarios.RadioChoice) bool {
	name := c.Profile
	if name == "" {
		name = plan.Radio.Name()
	}
	return slices.ContainsFunc(radio.Profiles(), func(i radio.Info) bool { return i.Name == name && i.Advertises })
}

// base opens the scenario on a radio.
func (p *Problem) base(choice scenarios.RadioChoice, interval time.Duration) (*radioBase, error) {
	r := &radioBase{choice: choice, interval: interval}
	var keys []string
	if choice.Profile != "" {
		keys = append(keys, "profile: "+choice.Profile)
	}
	switch {
	case choice.Rate != "":
		keys = append(keys, "rate: "+choice.Rate)
	case choice.Profile != "" && choice.Profile != p.Plan.Radio.Name() && slices.Contains(radio.SettingKeys(choice.Profile), "rate"):
		keys = append(keys, "rate: 1Mbit/s") // the scenario's rate is that of another profile
	}
	if interval > 0 {
		keys = append(keys, "interval: "+duration(interval))
	}
	sets := slices.Clone(p.Sets)
	if keys != nil {
		r.block = "{" + strings.Join(keys, ", ") + "}"
		sets = append(sets, "radio="+r.block)
	}
	var err error
	if r.asIs, err = scenarios.Open(p.Scenario, sets); err != nil {
		return nil, err
	}
	r.plan = r.asIs
	needed := p.needed()
	own := searched(sets)
	if len(own) < len(sets) || !plainList(r.asIs, needed) {
		r.listed = true
		if err := p.list(r, own, needed); err != nil {
			return nil, errors.Join(err, r.asIs.Close())
		}
	}
	return r, p.openOptional(r, own)
}

// list reads the scenario with a forward list of its own, and of the policy what the
// scenario says and no change to it.
func (p *Problem) list(r *radioBase, sets []string, ids []bus.ID) error {
	var plain []string
	for _, id := range ids {
		plain = append(plain, id.String())
	}
	policy, err := scenarios.Open(p.Scenario, append(sets[:len(sets):len(sets)], "bridge.forward=["+strings.Join(plain, ", ")+"]"))
	if err != nil {
		return err
	}
	r.plan, err = scenarios.Open(p.Scenario, append(sets, "bridge.forward="+listText(r.asIs, ids), "bridge.policy={kind: change}"))
	if err == nil {
		r.plan.Bridge.Policy = policy.Bridge.Policy
	}
	return errors.Join(err, policy.Close())
}

// With returns the changes that make the scenario a design.
func (p *Problem) With(d *Design) []string {
	sets := slices.Clone(p.Sets)
	if !d.AsIs {
		sets = searched(p.Sets)
	}
	for _, s := range p.Settings(d) {
		sets = append(sets, s.Set())
	}
	return sets
}

// searched leaves out of changes those of policy and forward list, which every
// design has of its own. What the scenario itself says of a policy, such as a latch,
// stays where it fits.
func searched(sets []string) (out []string) {
	for _, s := range sets {
		path, _, _ := strings.Cut(s, "=")
		if path = strings.TrimSpace(path); !below(path, "bridge.policy") && !below(path, "bridge.forward") {
			out = append(out, s)
		}
	}
	return out
}

func below(path, block string) bool { return path == block || strings.HasPrefix(path, block+".") }

// listText writes a forward list as far as the scenario has it, with what it says
// of the changes that count.
func listText(plan *scenarios.Plan, ids []bus.ID) string {
	var items []string
	for _, id := range ids {
		i := slices.IndexFunc(plan.Bridge.Forward, func(f bridge.Forward) bool { return f.ID == id })
		item := id.String()
		if i >= 0 {
			if keys := watchText(plan, &plan.Bridge.Forward[i]); keys != "" {
				item = "{id: " + item + keys + "}"
			}
		}
		items = append(items, item)
	}
	return "[" + strings.Join(items, ", ") + "]"
}

// openOptional reads the entries of the identifiers that may be forwarded besides.
func (p *Problem) openOptional(r *radioBase, sets []string) error {
	ids := p.Optional()
	if len(ids) == 0 {
		return nil
	}
	r.optional = map[bus.ID]bridge.Forward{}
	var items []string
	for _, id := range ids {
		items = append(items, id.String())
	}
	plan, err := scenarios.Open(p.Scenario, append(sets, "bridge.forward=["+strings.Join(items, ", ")+"]", "bridge.policy={kind: change}", "bridge.layout={kind: id}"))
	if err != nil {
		return errors.Join(fmt.Errorf("optional identifiers: %w", err), r.plan.Close())
	}
	for _, f := range plan.Bridge.Forward {
		r.optional[f.ID] = f
	}
	return plan.Close()
}

// plainList reports whether a forward list holds these identifiers in this order,
// with nothing that only one of them does.
func plainList(plan *scenarios.Plan, ids []bus.ID) bool {
	c := &plan.Bridge
	if len(c.Forward) != len(ids) {
		return false
	}
	for i, f := range c.Forward {
		if f.ID != ids[i] || f.Divide > 1 || f.MinGap > 0 || f.Policy > 0 || f.Class > 0 || f.Every > 0 || watchText(plan, &c.Forward[i]) != "" {
			return false
		}
	}
	return true
}

// forwards reports whether the scenario forwards an identifier.
func (p *Problem) forwards(id bus.ID) bool {
	return slices.ContainsFunc(p.Plan.Bridge.Forward, func(f bridge.Forward) bool { return f.ID == id })
}

// needed lists what displays show: in the order of the forward list, then what is
// missing there.
func (p *Problem) needed() (ids []bus.ID) {
	shown := map[bus.ID]bool{}
	var order []bus.ID
	for _, r := range p.Plan.Receivers {
		for _, s := range r.Shows {
			if !shown[s.ID] {
				shown[s.ID] = true
				order = append(order, s.ID)
			}
		}
	}
	for _, f := range p.Plan.Bridge.Forward {
		if shown[f.ID] {
			ids = append(ids, f.ID)
		}
	}
	for _, id := range order {
		if !p.forwards(id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// Optional lists the identifiers that may be forwarded besides what displays show.
func (p *Problem) Optional() (ids []bus.ID) {
	z := &p.Plan.Size
	needed := p.needed()
	add := func(id bus.ID) {
		if !slices.Contains(needed, id) && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	switch {
	case z.NoOptional:
	case z.Optional != nil:
		for _, id := range z.Optional {
			add(id)
		}
	case z.AllOptional:
		for _, f := range p.Plan.Bus.Flows() {
			if !f.Remote {
				add(f.ID)
			}
		}
	default:
		for _, f := range p.Plan.Bridge.Forward {
			add(f.ID)
		}
		for i := range p.Plan.Bus.Messages {
			if m := &p.Plan.Bus.Messages[i]; len(m.Fields) > 0 && !m.Remote && p.Plan.Bus.Capture == nil {
				add(m.ID)
			}
		}
	}
	return ids
}

// limits counts the limits of all displays.
func (p *Problem) limits() (n int) {
	for _, r := range p.Plan.Receivers {
		for _, s := range r.Shows {
			if s.Limit != nil {
				n++
			}
		}
	}
	return n
}
