package size

import (
	"math"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Bound is what removes a design without simulating it.
type Bound int

// The bounds, in the order in which they are asked.
const (
	NoBound     Bound = iota
	PayloadSize       // a record is longer than the radio carries, or there are too many slots
	BusFloor          // the bus itself tells a value too seldom for a limit
	LossFloor         // while a bad state of the radio lasts no bridge gets anything through
	Airtime           // it asks for more time on air than there is
	LongestWait       // it lets a value wait too long by its own timer
	bounds
)

// String returns the bound as reports name it.
func (b Bound) String() string {
	return [...]string{"none", "payload", "bus floor", "loss floor", "airtime", "longest wait"}[b]
}

// guard is how far a bound must lie beyond a limit before it removes anything:
// jitter makes sources slightly irregular, and symbols make times on air so.
const guard = 1.01

// asked is a limit of age, or of the first picture, and what a bound needs of it.
// Times are in seconds.
type asked struct {
	receiver string
	shown    *scenarios.Shown
	limit    float64
	level    float64 // share of the time
	source   float64 // period at the source where it is regular, else 0
	redraw   float64 // period, where it is periodic and the limit counts at the glass
	draw     float64
	heard    float64 // share of the broadcasts that the display hears at most
	bad      float64 // share of the time in a state in which nothing is heard
	burst    float64 // mean time in it
	aged     bool    // the limit is one of age
}

// askedOf lists the limits that bounds exist for. Limits of changes have none: how
// late a change is told depends on the data.
func askedOf(plan *scenarios.Plan) (all []asked) {
	for i := range plan.Receivers {
		r := &plan.Receivers[i]
		for k := range r.Shows {
			s := &r.Shows[k]
			if s.Limit == nil || s.Limit.Of == scenarios.OfChange {
				continue
			}
			a := asked{receiver: r.Name, shown: s, limit: s.Limit.Value.Seconds(), level: s.Limit.Quantile, heard: 1, aged: s.Limit.Of == scenarios.OfAge}
			if regular(&plan.Bus, s.ID) {
				a.source = s.Period.Seconds()
			}
			if s.Limit.At == scenarios.AtGlass {
				a.redraw, a.draw = r.Redraw.Seconds(), r.Draw.Seconds()
			}
			a.loss(&r.Weather)
			all = append(all, a)
		}
	}
	return all
}

// regular reports whether an identifier comes at a period and not otherwise.
func regular(b *scenarios.Bus, id bus.ID) bool {
	if b.Capture != nil || b.Timeline != nil {
		return false
	}
	for i := range b.Messages {
		if m := &b.Messages[i]; m.ID == id {
			return m.Period > 0 && m.Events == nil
		}
	}
	return false
}

// loss takes of a weather what no bridge can do anything about.
func (a *asked) loss(w *radio.Weather) {
	if w.Trace != nil {
		a.heard = 1 - w.Trace.Fit().Loss
		return
	}
	a.heard = 1 - w.Loss
	certain := func(x float64) bool { return x == 0 || x == 1 } // 0 stands for 1
	if certain(w.BadLoss) && w.Loss > w.GoodLoss {
		a.bad, a.burst = (w.Loss-w.GoodLoss)/(1-w.GoodLoss), w.Burst.Seconds()
	}
	// Of two bad states the one that lasts longer decides; either alone is a bound.
	if certain(w.LongLoss) && w.LongShare > 0 && w.LongShare*w.LongBurst.Seconds() > a.bad*a.burst {
		a.bad, a.burst = w.LongShare, w.LongBurst.Seconds()
	}
}

// busFloor is the age that a display would keep if every frame were on it at once.
func (a *asked) busFloor() float64 {
	return a.draw + quantile(func(x float64) float64 { return uniforms([]float64{a.source, a.redraw}, x) }, a.level)
}

// lossFloor is the age that it would keep if every frame were sent at once, again
// and again, and only a bad state of the radio kept it away: with the source's
// period T, the redraw's R and the draw time D the quantile of D + U(0,T) + U(0,R)
// + B, where B is 0 or, for the share of the time that is bad, exponential with the
// mean length of a bad state.
func (a *asked) lossFloor() float64 { return a.lossFloorAt(a.burst) }

func (a *asked) lossFloorAt(burst float64) float64 {
	return a.draw + quantile(func(x float64) float64 { return delayed([]float64{a.source, a.redraw}, a.bad, burst, x) }, a.level)
}

// longestBurst is the mean length of a bad state with which the limit could just
// be kept.
func (a *asked) longestBurst() float64 {
	low, high := 0.0, a.burst
	for range 40 {
		if middle := (low + high) / 2; a.lossFloorAt(middle) > a.limit {
			high = middle
		} else {
			low = middle
		}
	}
	return low
}

// waitFloor is the age that is kept when the value is sent at a period at most:
// sampled at a phase of its own, or, at worst for the bound, always fresh.
func (a *asked) waitFloor(every float64, fresh bool) float64 {
	widths := []float64{a.source, a.redraw, every}
	if fresh {
		widths = widths[1:]
	}
	return a.draw + quantile(func(x float64) float64 { return uniforms(widths, x) }, a.level)
}

// rate is how many sendings a second the limit takes at least: each of those that
// are heard keeps the age below the limit for as long as the limit is beyond the
// draw time, and no longer. A first picture in time takes one in that time, on
// average over starts.
func (a *asked) rate() float64 {
	room := a.limit - a.draw
	if room <= 0 || a.heard <= 0 {
		return math.Inf(1)
	}
	return a.level / room / a.heard
}

// medium is what a radio takes and gives. Times are in seconds.
type medium struct {
	payload int
	header  int
	empty   float64 // time on air of a broadcast without records
	perByte float64
	most    float64 // share of the time on air that there is at most
	why     string
	events  float64 // broadcasts a second at most; infinite where nothing counts them
}

func (p *Problem) medium(r *radioBase, layout bridge.LayoutKind) medium {
	plan := r.plan
	l := plan.Bridge.Layout
	l.Kind = layout
	header := bridge.NewCodec(l, plan.Bridge.Forward).HeaderSize()
	full := plan.Radio.MaxPayload()
	m := medium{payload: full, header: header, most: 1, why: "there is no more time", events: math.Inf(1)}
	if header < full {
		m.empty = plan.Radio.Airtime(header).Seconds()
		m.perByte = (plan.Radio.Airtime(full).Seconds() - m.empty) / float64(full-header) / guard
	}
	least := func(share float64, why string) {
		if share > 0 && share < m.most {
			m.most, m.why = share, why
		}
	}
	others := 0.0
	for _, b := range plan.Background {
		if radio.InfoOf(plan.Radio).Shared && b.From == 0 && b.Until == 0 && !b.Hidden && !b.Deaf {
			others += b.Share
		}
	}
	least(1-others, "others take the rest of the channel")
	if least(plan.Bridge.Limit.AirShare, "bridge.limit.air_share"); plan.Utilisation > 0 {
		m.why = "radio.utilisation or bridge.limit.air_share"
	}
	least(p.Plan.Size.AirShare, "size.air")
	if d, ok := plan.Radio.(interface{ Duty() float64 }); ok {
		least(d.Duty(), "radio.duty")
	}
	if a, ok := plan.Radio.(*radio.Advertising); ok {
		// An event comes after the interval and a delay of 0 to 10 ms.
		m.events = 1 / (a.Interval() + 5*time.Millisecond).Seconds()
	}
	if limit := plan.Bridge.Limit.Broadcasts; limit > 0 {
		m.events = min(m.events, limit)
	}
	return m
}

// broadcasts is how many a second carry so many bytes of records a second, no
// fewer than least.
func (m *medium) broadcasts(bytes, least float64) float64 {
	if m.header >= m.payload {
		return math.Inf(1)
	}
	return max(least, bytes/float64(m.payload-m.header))
}

// share is the time on air of so many broadcasts a second that carry so many bytes
// of records a second.
func (m *medium) share(broadcasts, bytes float64) float64 {
	return broadcasts*m.empty + bytes*m.perByte
}
