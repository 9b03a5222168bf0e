package bridge

import (
	"fmt"
	"math"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

const (
	mostClass = 255
	mostEvery = 1_000_000
	longBurst = 10 * time.Second // believed by a slack policy: its table has one entry a millisecond
)

// checkPolicies looks at the policies of the mix.
func (k *checker) checkPolicies(c *Config) {
	k.checkPolicy(c, "Policy", &c.Policy)
	for i := range c.Policies {
		k.checkPolicy(c, fmt.Sprintf("Policies[%d]", i), &c.Policies[i])
	}
}

func (k *checker) checkPolicy(c *Config, at string, p *Policy) {
	k.kind(at+".Kind", uint8(p.Kind), uint8(policyKinds-1))
	k.span(at+".Hold", p.Hold, 0)
	k.want(p.MaxRecords >= 0 && p.MaxRecords <= maxRecords, "%s.MaxRecords: %d, expected 0 (what the payload holds) to %d", at, p.MaxRecords, maxRecords)
	if p.Kind == Table {
		k.span(at+".Every", p.Every, 1)
	}
	k.span(at+".Phase", p.Phase, 0)
	k.span(at+".MinGap", p.MinGap, 0)
	k.span(at+".Heartbeat", p.Heartbeat, 0)
	k.want(p.Heartbeat == 0 || p.Heartbeat >= p.MinGap, "%s.Heartbeat: %v is shorter than MinGap, %v", at, p.Heartbeat, p.MinGap)
	if p.Kind == Slack {
		k.want(c.Airtime != nil, "Airtime: nil, %s.Slack needs it", at)
		k.checkSlack(at+".Slack", &p.Slack)
	}
}

func (k *checker) checkSlack(at string, r *SlackRule) {
	k.want(r.Share > 0 && r.Share <= 1, "%s.Share: %v, expected more than 0, up to 1", at, r.Share)
	k.want(r.Power > 0 && r.Power <= 32, "%s.Power: %v, expected more than 0, up to 32", at, r.Power)
	k.want(r.Margin >= 0 && r.Margin <= 10, "%s.Margin: %v, expected 0 to 10 times the display's time", at, r.Margin)
	k.want(r.Loss >= 0 && r.Loss < 1, "%s.Loss: %v, expected 0 to less than 1", at, r.Loss)
	k.want(r.Burst > 0 && r.Burst <= longBurst, "%s.Burst: %v, expected more than 0, up to %v", at, r.Burst, longBurst)
	k.span(at+".Tick", r.Tick, time.Microsecond)
	k.want(r.Price >= leastPrice && r.Price <= mostPrice, "%s.Price: %v, expected %v to %v", at, r.Price, leastPrice, float64(mostPrice))
}

// checkEntry looks at what the policies and layouts want to know of an entry.
func (k *checker) checkEntry(c *Config, at string, e *Forward) {
	k.want(e.Class >= 0 && e.Class <= mostClass, "%s.Class: %d, expected 0 to %d", at, e.Class, mostClass)
	k.want(e.Every >= 0 && e.Every <= mostEvery, "%s.Every: %d, expected 0 or 1 (every round) to %d", at, e.Every, mostEvery)
	k.want(len(e.Watched.Mask) <= bus.MaxLength, "%s.Watched.Mask: %d bytes, a frame has at most %d", at, len(e.Watched.Mask), bus.MaxLength)
	for i := range e.Watched.Bands {
		b := &e.Watched.Bands[i]
		if err := b.Signal.Check(); err != nil {
			k.want(false, "%s.Watched.Bands[%d]: %w", at, i, err)
		}
		k.want(b.DeadBand >= 0 && !math.IsInf(b.DeadBand, 0), "%s.Watched.Bands[%d].DeadBand: %v, expected 0 (every change) or more", at, i, b.DeadBand)
	}
	k.span(at+".Need.Period", e.Need.Period, 0)
	for i, v := range e.Need.Views {
		k.span(fmt.Sprintf("%s.Need.Views[%d].Limit", at, i), v.Limit, 0)
		k.span(fmt.Sprintf("%s.Need.Views[%d].Display", at, i), v.Display, 0)
	}
	if c.Layout.Kind == LayoutPacked {
		k.checkFields(at, e)
	}
	if e.Policy < 0 || e.Policy > len(c.Policies) {
		k.want(false, "%s.Policy: %d, expected 0 (Policy) to %d (the last of Policies)", at, e.Policy, len(c.Policies))
		return
	}
	if p := c.policyAt(e.Policy); p.Kind == Slack || p.Kind == Table && p.ByLimits && e.Every == 0 {
		limited := e.Need.Period > 0
		if !limited && len(e.Need.Views) > 0 {
			limited = true
			for _, v := range e.Need.Views {
				limited = limited && v.Limit > 0
			}
		}
		k.want(limited, "%s.Need: neither a limit for every view nor a period, the policy %s needs one", at, p.Kind)
	}
}

// checkFields looks at the fields of a packed record: they must lie in its data.
func (k *checker) checkFields(at string, e *Forward) {
	if len(e.Fields) == 0 {
		return
	}
	if s := e.Selector; s != nil && s.Check() == nil {
		k.want(bus.FieldInside(e.Length, s.Start, s.Bits, s.BigEndian), "%s.Selector: it reaches beyond the %d bytes that the layout foresees", at, e.Length)
	}
	for i, f := range e.Fields {
		d := signal.Definition{Name: "field", Start: f.Start, Bits: f.Bits, BigEndian: f.BigEndian, Scale: 1, Page: f.Page}
		if err := d.Check(); err != nil {
			k.want(false, "%s.Fields[%d]: %w", at, i, err)
			continue
		}
		k.want(bus.FieldInside(e.Length, f.Start, f.Bits, f.BigEndian), "%s.Fields[%d]: it reaches beyond the %d bytes that the layout foresees", at, i, e.Length)
		k.want(f.Page == signal.AnyPage || e.Selector != nil, "%s.Fields[%d].Page: %d, but the entry has no selector; expected %d", at, i, f.Page, signal.AnyPage)
	}
}
