package size

import (
	"math"
	"slices"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
)

// limitsOnRadio are the bounds of a radio, worked out once.
type limitsOnRadio struct {
	base   *radioBase
	asked  []asked
	media  map[bridge.LayoutKind]medium
	rates  map[bus.ID]float64 // frames a second on the bus
	floors []floors           // by limit
	waits  map[wait]bool      // whether a limit breaks with a wait
	loads  map[bridge.LayoutKind]float64
}

type floors struct{ bus, loss float64 }

type wait struct {
	limit int
	every float64
	fresh bool
}

func (p *Problem) boundsOf(r *radioBase) *limitsOnRadio {
	l := &limitsOnRadio{base: r, asked: askedOf(r.plan), media: map[bridge.LayoutKind]medium{}, rates: map[bus.ID]float64{}, waits: map[wait]bool{}}
	for _, layout := range []bridge.LayoutKind{bridge.LayoutID, bridge.LayoutSlot, bridge.LayoutPacked} {
		l.media[layout] = p.medium(r, layout)
	}
	for _, f := range r.plan.Bus.Flows() {
		if !f.Remote {
			l.rates[f.ID] += f.PerSecond
		}
	}
	for i := range l.asked {
		a := &l.asked[i]
		f := floors{}
		if a.aged {
			f = floors{a.busFloor(), a.lossFloor()}
		}
		l.floors = append(l.floors, f)
	}
	l.loads = map[bridge.LayoutKind]float64{}
	for layout := range l.media {
		l.loads[layout] = l.load(layout, 1)
	}
	return l
}

// bound names the bound that removes a design, if any does.
func (l *limitsOnRadio) bound(d *Design, c *bridge.Config) Bound {
	if d.AsIs {
		return NoBound // it is what the others are compared with
	}
	sizes, fits := recordSizes(c)
	if !fits {
		return PayloadSize
	}
	for i := range l.asked {
		if a := &l.asked[i]; a.aged && l.floors[i].bus > guard*a.limit {
			return BusFloor
		}
	}
	for i := range l.asked {
		if a := &l.asked[i]; a.aged && l.floors[i].loss > guard*a.limit {
			return LossFloor
		}
	}
	m := l.media[d.Layout]
	if l.loads[d.Layout] > guard {
		return Airtime // whatever is sent when
	}
	if broadcasts, share := l.demand(d, c, &m, sizes); share > guard*m.most || broadcasts > guard*m.events {
		return Airtime
	}
	if l.waitsTooLong(c, &m, sizes) {
		return LongestWait
	}
	return NoBound
}

// recordSizes returns the bytes of the record of each entry, and whether all fit.
func recordSizes(c *bridge.Config) ([]int, bool) {
	if c.Layout.Kind != bridge.LayoutID && len(c.Forward) > 256 {
		return nil, false
	}
	codec := bridge.NewCodec(c.Layout, c.Forward)
	sizes := make([]int, len(c.Forward))
	for slot := range c.Forward {
		sizes[slot] = codec.RecordSize(slot, c.Forward[slot].Length)
		if codec.HeaderSize()+sizes[slot] > c.MaxPayload {
			return nil, false
		}
	}
	return sizes, true
}

// demand is what a design asks of the radio at least: broadcasts a second, and
// share of the time on air.
func (l *limitsOnRadio) demand(d *Design, c *bridge.Config, m *medium, sizes []int) (broadcasts, share float64) {
	rounds := c.Rounds()
	bytes, records, least := 0.0, 0.0, 0.0
	for slot := range c.Forward {
		f := &c.Forward[slot]
		perSecond := l.rates[f.ID]
		if f.MinGap > 0 && perSecond > 0 {
			perSecond = 1 / (f.MinGap.Seconds() + 1/perSecond) // the next frame after the gap
		}
		switch p := &c.Policy; p.Kind {
		case bridge.Table:
			perSecond = 0
			if l.rates[f.ID] > 0 {
				perSecond = 1 / p.Every.Seconds() / float64(rounds[slot])
			}
			least = max(least, perSecond)
		case bridge.Change:
			perSecond = 0 // a value may never change
			if p.Heartbeat > 0 && l.rates[f.ID] > 0 {
				perSecond = min(l.rates[f.ID], 1/p.Heartbeat.Seconds())
			}
			least = max(least, perSecond)
		case bridge.Slack:
			perSecond = 0
		}
		records += perSecond
		bytes += perSecond * float64(sizes[slot])
	}
	switch c.Policy.Kind {
	case bridge.Each:
		least = records
	case bridge.Slack:
		return 0, d.Policy.Slack.Share
	}
	broadcasts = m.broadcasts(bytes, least) * float64(d.Copies)
	return broadcasts, m.share(broadcasts, bytes*float64(d.Copies))
}

// waitsTooLong reports whether a timer of the policy alone breaks a limit.
func (l *limitsOnRadio) waitsTooLong(c *bridge.Config, m *medium, sizes []int) bool {
	rounds := c.Rounds()
	for i := range l.asked {
		a := &l.asked[i]
		slot := slices.IndexFunc(c.Forward, func(f bridge.Forward) bool { return f.ID == a.shown.ID })
		if !a.aged || slot < 0 {
			continue
		}
		w := wait{limit: i, fresh: true, every: c.Forward[slot].MinGap.Seconds()}
		switch p := &c.Policy; p.Kind {
		case bridge.Table:
			w.every, w.fresh = p.Every.Seconds()*float64(rounds[slot]), false
		case bridge.Fill:
			if p.MaxRecords == 0 && l.neverFull(c, m, sizes) {
				w.every = max(w.every, p.Hold.Seconds())
			}
		}
		broken, known := l.waits[w]
		if !known {
			broken = w.every > 0 && a.waitFloor(w.every, w.fresh) > guard*a.limit
			l.waits[w] = broken
		}
		if broken {
			return true
		}
	}
	return false
}

// neverFull reports whether what can come during a hold fits into one broadcast.
func (l *limitsOnRadio) neverFull(c *bridge.Config, m *medium, sizes []int) bool {
	bytes := 0.0
	for slot := range c.Forward {
		bytes += (math.Floor(l.rates[c.Forward[slot].ID]*c.Policy.Hold.Seconds()) + 2) * float64(sizes[slot])
	}
	return bytes <= float64(m.payload-m.header)
}

// needs is what any design at all asks of the radio when every limit is stretched
// by a factor: broadcasts a second, and share of the time on air.
func (l *limitsOnRadio) needs(layout bridge.LayoutKind, stretch float64) (broadcasts, share float64) {
	c := l.base.plan.Bridge
	c.Layout.Kind = layout
	sizes, fits := recordSizes(&c)
	if !fits {
		return math.Inf(1), math.Inf(1)
	}
	perSecond := map[bus.ID]float64{}
	for i := range l.asked {
		a := l.asked[i]
		a.limit *= stretch
		perSecond[a.shown.ID] = max(perSecond[a.shown.ID], a.rate())
	}
	m := l.media[layout]
	bytes, least := 0.0, 0.0
	for slot, f := range c.Forward {
		bytes += perSecond[f.ID] * float64(sizes[slot])
		least = max(least, perSecond[f.ID])
	}
	broadcasts = m.broadcasts(bytes, least)
	return broadcasts, m.share(broadcasts, bytes)
}
