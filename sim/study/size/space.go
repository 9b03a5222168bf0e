package size

import (
	"slices"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
)

const ms = time.Millisecond

// What is tried where the scenario does not say: engineering judgement. Timers are
// also tried between these, around the best design.
var (
	tryHold      = []time.Duration{10 * ms, 20 * ms, 30 * ms, 50 * ms, 70 * ms, 100 * ms, 150 * ms, 200 * ms, 300 * ms}
	tryEvery     = []time.Duration{20 * ms, 30 * ms, 50 * ms, 70 * ms, 100 * ms, 150 * ms, 200 * ms, 300 * ms}
	tryMinGap    = []time.Duration{20 * ms, 50 * ms, 100 * ms}
	tryHeartbeat = []time.Duration{150 * ms, 200 * ms, 300 * ms, 500 * ms, time.Second}
	tryShare     = []float64{.002, .005, .01, .015, .02, .03, .05, .08, .12}
	tryThin      = []float64{0, .125, .25, .5}
	tryCopies    = []int{1, 2, 3}
	trySpacing   = []time.Duration{20 * ms, 50 * ms}
	tryDepth     = []int{1, 2, 4, 8, 16, 32, 64}
)

func or[T any](given, preset []T) []T {
	if given != nil {
		return given
	}
	return preset
}

// designs lists the space on all radios. Designs that lie beside each other in it
// are spread over the list, so that a part of the list stands for all of it.
func (p *Problem) designs() []Design {
	z := &p.Plan.Size
	var all []Design
	for r := range p.radios {
		for _, policy := range policies(z) {
			for _, thin := range or(z.Thin, tryThin) {
				if thin > 0 && policy.Kind != bridge.Each && policy.Kind != bridge.Fill {
					continue
				}
				for _, d := range p.sendings(r, policy, thin) {
					all = append(all, d)
				}
			}
		}
	}
	return spread(all)
}

// policies lists the policies with their parameters.
func policies(z *scenarios.SizePlan) (all []bridge.Policy) {
	for _, kind := range or(z.Policies, []bridge.PolicyKind{bridge.Each, bridge.Fill, bridge.Table, bridge.Change, bridge.Slack}) {
		switch kind {
		case bridge.Fill:
			for _, hold := range or(z.Hold, tryHold) {
				all = append(all, bridge.Policy{Kind: kind, Hold: hold})
			}
		case bridge.Table:
			for _, every := range or(z.Every, tryEvery) {
				for _, by := range or(z.ByLimits, []bool{false, true}) {
					all = append(all, bridge.Policy{Kind: kind, Every: every, ByLimits: by})
				}
			}
		case bridge.Change:
			for _, gap := range or(z.MinGap, tryMinGap) {
				for _, beat := range or(z.Heartbeat, tryHeartbeat) {
					if beat >= gap {
						all = append(all, bridge.Policy{Kind: kind, MinGap: gap, Heartbeat: beat})
					}
				}
			}
		case bridge.Slack:
			for _, share := range or(z.Share, tryShare) {
				all = append(all, bridge.Policy{Kind: kind, Slack: bridge.SlackRule{Share: share}})
			}
		default:
			all = append(all, bridge.Policy{Kind: kind})
		}
	}
	return all
}

// sendings lists the layouts, repeats and orders for a policy. Orders that nobody
// gave are tried around the best design only.
func (p *Problem) sendings(radio int, policy bridge.Policy, thin float64) (all []Design) {
	z := &p.Plan.Size
	depth := slices.Max(p.depths())
	orders := or(z.LimitOrder, []bool{false})
	for _, layout := range or(z.Layouts, []bridge.LayoutKind{bridge.LayoutID, bridge.LayoutSlot, bridge.LayoutPacked}) {
		for _, copies := range or(z.Copies, tryCopies) {
			for i, spacing := range or(z.Spacing, trySpacing) {
				if copies == 1 && i > 0 {
					continue
				}
				for _, ordered := range orders {
					d := Design{Radio: radio, Policy: policy, Thin: thin, Layout: layout, Copies: copies, Depth: depth, Ordered: ordered}
					if copies > 1 {
						d.Spacing = spacing
					}
					all = append(all, d)
				}
			}
		}
	}
	return all
}

// depths are those of the send queue.
func (p *Problem) depths() []int {
	if z := p.Plan.Size.SendQueue; z != nil {
		return slices.Sorted(slices.Values(z))
	}
	return slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(tryDepth), p.Plan.Bridge.SendQueue.Depth))))
}

// spread puts a list in an order in which each beginning is spread over all of it:
// the fractional parts of multiples of the golden ratio leave no gap unfilled for
// long.
func spread(all []Design) []Design {
	n := len(all)
	step := int(float64(n) * 0.6180339887)
	for step > 1 && common(step, n) > 1 {
		step--
	}
	out := make([]Design, 0, n)
	for i := range n {
		out = append(out, all[i*max(step, 1)%n])
	}
	return out
}

func common(a, b int) int {
	for b > 0 {
		a, b = b, a%b
	}
	return a
}

// around lists designs that differ from d in one way a little: timers moved by a
// factor where the scenario leaves them open, other orders, other spacings.
func (p *Problem) around(d Design, factor float64) (all []Design) {
	z := &p.Plan.Size
	move := func(open bool, old time.Duration, set func(*Design, time.Duration)) {
		for _, f := range []float64{factor, 1 / factor} {
			if moved := roundTime(float64(old) * f); open && moved != old && moved > 0 {
				n := d
				set(&n, moved)
				all = append(all, n)
			}
		}
	}
	switch d.Policy.Kind {
	case bridge.Fill:
		move(z.Hold == nil, d.Policy.Hold, func(n *Design, t time.Duration) { n.Policy.Hold = t })
	case bridge.Table:
		move(z.Every == nil, d.Policy.Every, func(n *Design, t time.Duration) { n.Policy.Every = t })
	case bridge.Change:
		move(z.MinGap == nil, d.Policy.MinGap, func(n *Design, t time.Duration) { n.Policy.MinGap = min(t, n.Policy.Heartbeat) })
		move(z.Heartbeat == nil, d.Policy.Heartbeat, func(n *Design, t time.Duration) { n.Policy.Heartbeat = max(t, n.Policy.MinGap) })
	case bridge.Slack:
		for _, f := range []float64{factor, 1 / factor} {
			if n := d; z.Share == nil {
				n.Policy.Slack.Share = min(1, max(.0001, twoDigits(d.Policy.Slack.Share*f)))
				all = append(all, n)
			}
		}
	}
	if d.Thin > 0 && z.Thin == nil {
		for _, f := range []float64{factor, 1 / factor} {
			n := d
			n.Thin = min(1, twoDigits(d.Thin*f))
			all = append(all, n)
		}
	}
	if d.Copies > 1 {
		move(z.Spacing == nil, d.Spacing, func(n *Design, t time.Duration) { n.Spacing = t })
	}
	if n := d; z.LimitOrder == nil {
		n.Ordered = !n.Ordered
		all = append(all, n)
	}
	return all
}

// roundTime keeps two digits of a time, and no part of a microsecond.
func roundTime(t float64) time.Duration {
	return time.Duration(twoDigits(t)).Round(time.Microsecond)
}
