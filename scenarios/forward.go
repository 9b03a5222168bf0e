package scenarios

import (
	"fmt"
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// ForwardCost is what one identifier of the forward list costs in the air, and
// what it brings.
type ForwardCost struct {
	ID      bus.ID
	Message string // its name, "" where nobody named it
	Bytes   int    // of its record in a broadcast, from the encoder
	// PerSecond is how many of its records leave in a second at most, copies of
	// repeats counted: what the bus brings within divider, cap and table period.
	PerSecond float64
	// AirShare is what they add to the share of time on air: the whole broadcast
	// under the policy each, otherwise their bytes alone, the header being shared.
	AirShare  float64
	Shown     []string // signals that displays show
	Others    []string // signals that it carries beside them
	ShownBits int      // of its data, all pages together
	Bits      int      // of its data in all
}

// ForwardCosts works out what each entry of the forward list costs, in its order.
func ForwardCosts(p *Plan) []ForwardCost {
	rates := map[bus.ID]float64{}
	for _, f := range p.Bus.Flows() {
		if !f.Remote {
			rates[f.ID] += f.PerSecond
		}
	}
	codec := bridge.NewCodec(p.Bridge.Layout, p.Bridge.Forward)
	var out []ForwardCost
	for slot := range p.Bridge.Forward {
		f := &p.Bridge.Forward[slot]
		c := ForwardCost{ID: f.ID, Bytes: codec.RecordSize(slot, f.Length), Bits: 8 * f.Length}
		policy := &p.Bridge.Policy
		if f.Policy > 0 {
			policy = &p.Bridge.Policies[f.Policy-1]
		}
		c.carries(p, f.ID)
		c.PerSecond = rates[f.ID] / float64(max(1, f.Divide))
		if f.MinGap > 0 {
			c.PerSecond = min(c.PerSecond, 1/f.MinGap.Seconds())
		}
		if policy.Kind == bridge.Table && policy.Every > 0 {
			c.PerSecond = min(c.PerSecond, float64(pagesOf(p, f.ID))/policy.Every.Seconds())
		}
		c.PerSecond *= float64(max(1, p.Bridge.Repeat.Copies))
		if p.Bridge.Airtime != nil {
			c.AirShare = c.PerSecond * recordAir(&p.Bridge, policy.Kind, codec.HeaderSize(), c.Bytes).Seconds()
		}
		out = append(out, c)
	}
	return out
}

// recordAir is the airtime that one record takes. In broadcasts of several it is
// its part of what a full one takes beyond an empty one.
func recordAir(c *bridge.Config, kind bridge.PolicyKind, header, bytes int) time.Duration {
	if kind == bridge.Each || c.MaxPayload <= header {
		return c.Airtime(header + bytes)
	}
	full, empty := c.Airtime(c.MaxPayload), c.Airtime(header)
	return (full - empty) * time.Duration(bytes) / time.Duration(c.MaxPayload-header)
}

func pagesOf(p *Plan, id bus.ID) int {
	for i := range p.Bus.Messages {
		if m := &p.Bus.Messages[i]; m.ID == id {
			pages := slices.Clone(m.Pages)
			slices.Sort(pages)
			return max(1, len(slices.Compact(pages)))
		}
	}
	return 1
}

// carries fills in what an identifier brings.
func (c *ForwardCost) carries(p *Plan, id bus.ID) {
	var shown []signal.Definition // a display may have a name of its own for one
	for _, r := range p.Receivers {
		for _, s := range r.Shows {
			if s.ID == id {
				shown = append(shown, s.Signal)
			}
		}
	}
	for i := range p.Bus.Messages {
		m := &p.Bus.Messages[i]
		if m.ID != id {
			continue
		}
		c.Message = m.Name
		for _, f := range m.Fields {
			name := f.Signal.Name
			if slices.ContainsFunc(m.Fields, func(g traffic.Field) bool { return g.Signal.Name == name && g.Signal.Page != f.Signal.Page }) {
				name += fmt.Sprintf("@%d", f.Signal.Page)
			}
			if !slices.ContainsFunc(shown, func(d signal.Definition) bool { return samePlace(&d, &f.Signal) }) {
				c.Others = append(c.Others, name)
				continue
			}
			c.Shown = append(c.Shown, name)
			c.ShownBits += f.Signal.Bits
		}
		if m.Selector != nil {
			c.Bits *= pagesOf(p, id)
		}
	}
}
