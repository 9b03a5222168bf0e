package survey

import (
	"math"
	"time"

	"stalegauge/bus/signal"
)

// signals works out the figures of the signals of an identifier.
func (d *ID) signals(s *stream, span time.Duration) {
	for i := range s.values {
		v := &s.values[i]
		def := d.layout.Signals[i]
		g := Signal{
			Definition: def, Frames: v.seen, Outside: v.outside, Low: v.low, High: v.high, Last: v.last,
			Changes: v.changes, Shortest: v.shortest, LongStep: v.longest, levels: v.levels, fits: true,
			Two: v.changes > 0 && !v.more,
		}
		if m := d.layout.database; m != nil {
			b := &m.Signals[i]
			g.IsSelector = b.IsSelector
			g.Label, _ = b.Label(v.raw)
			g.fits = !b.Absent && (def.Page == signal.AnyPage || d.layout.Selector != nil && def.Page < 1<<d.layout.Selector.Bits)
		}
		if sel := d.layout.Selector; sel != nil && sel.Start == def.Start && sel.Bits == def.Bits && def.Page == signal.AnyPage {
			g.IsSelector = true
		}
		if v.changes > 0 {
			g.MeanStep = v.moves / float64(v.changes)
			if !def.Float {
				g.Used = float64(v.step) * math.Abs(def.Scale)
			}
		}
		if span > 0 {
			g.PerSecond = float64(v.changes) / span.Seconds()
		}
		g.Alive = d.alive(&def)
		g.movement(v)
		d.Signals = append(d.Signals, g)
	}
}

// alive reports whether a signal lies on what looks like a counter or a checksum.
func (d *ID) alive(def *signal.Definition) bool {
	if def.Bits > 8 || def.Page != signal.AnyPage {
		return false
	}
	for _, f := range d.Like.Counters {
		if !def.BigEndian && def.Start >= f.First && def.Start+def.Bits <= f.First+f.Bits ||
			def.BigEndian && def.Start < f.First+f.Bits && def.Start-def.Bits+1 >= f.First {
			return true
		}
	}
	for _, at := range d.Like.Checksums {
		if def.Bits == 8 && def.Start/8 == at && (def.BigEndian && def.Start%8 == 7 || !def.BigEndian && def.Start%8 == 0) {
			return true
		}
	}
	return false
}

// The bounds between the ways in which a signal moves.
const (
	rareShare = 1.0 / 20        // of the frames that carry it
	rareEvery = 5 * time.Second // between changes
)

// movement tells how a signal moves.
func (g *Signal) movement(v *value) {
	mean := math.Inf(1)
	if g.PerSecond > 0 {
		mean = 1 / g.PerSecond
	}
	rare := mean > rareEvery.Seconds() || float64(v.changes) < rareShare*float64(v.seen)
	switch {
	case v.changes == 0:
		g.Movement = Never
	case g.Two && g.pulse(v):
		g.Movement = InPulses
	case rare:
		g.Movement = Rarely
	default:
		g.Movement = Constantly
	}
}

// pulse tells whether a signal of two values is at one of them for a clearly
// shorter time than at the other, or blinks, and for at most 10 s; and how short.
func (g *Signal) pulse(v *value) bool {
	short := &v.levels[0]
	if other := &v.levels[1]; short.stays == 0 || other.stays > 0 && other.mean() < short.mean() {
		short = other
	}
	if short.stays == 0 || short.mean() > 10*time.Second {
		return false
	}
	g.Pulse = short.least
	return true
}

func (l *level) mean() time.Duration { return l.held / time.Duration(max(1, l.stays)) }
