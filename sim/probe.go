package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// Probe is the displays of the vehicle under design without its bus, bridge and
// air: somebody else tells it what arrives. It keeps ages as [Run] does. Instants
// never go back from one call to the next. It is not safe for use by several
// goroutines.
type Probe struct {
	d     *driver
	v     *vehicle
	ended bool
}

// NewProbe returns the displays of a plan at instant 0. Redraws start at the
// phases of replication 0.
func NewProbe(plan *scenarios.Plan) *Probe {
	d := &driver{plan: plan}
	d.from, d.end = plan.Window()
	v := &vehicle{spec: &plan.Vehicle, catalogue: newCatalogue(&plan.Vehicle), blind: true}
	v.lag = 1 << 15 // half the circle: Restart tells of a sender that numbers anew
	v.keys = make([]map[int]int, len(plan.Bridge.Forward))
	for i := range v.keys {
		v.keys[i] = map[int]int{}
	}
	for i := range plan.Receivers {
		r := newReceiver(d, v, i, scenarios.Streams{Seed: plan.Seed})
		r.setPhases(nil)
		v.receivers = append(v.receivers, r)
	}
	return &Probe{d: d, v: v}
}

// Hear says that a broadcast of the displays' own set has arrived, or one of
// another set or layout, which costs handler time and brings nothing. The values
// must not be of the future. The probe takes over the caller's hold.
func (p *Probe) Hear(at time.Duration, b *bridge.Broadcast, foreign bool) {
	p.Advance(at)
	if !foreign {
		for i := range b.Records {
			record := &b.Records[i]
			c := p.v.catalogue.slot[record.Slot]
			if c == nil {
				continue
			}
			any, paged := c.groups(record.Page)
			for _, g := range [...]*group{any, paged} {
				if g != nil {
					g.passAll(at, record.ValidAt)
				}
			}
		}
	}
	for _, r := range p.v.receivers {
		b.Retain(1)
		if !foreign {
			r.passAll(b, fate.StageFading, at)
		}
		r.arrive(at, b, foreign)
	}
	b.Release()
}

// passAll notes that a value has passed every stage before the displays.
func (g *group) passAll(at, validAt time.Duration) {
	for k := range g.passed {
		if fate.Stage(k) != fate.StageWire {
			g.passed[k].Pass(at, at, validAt)
		}
	}
	g.note(at, validAt)
}

// Advance brings the displays up to, but not including, what happens at the
// instant at.
func (p *Probe) Advance(at time.Duration) {
	for _, r := range p.v.receivers {
		r.advance(at)
	}
}

// Cut says that the clock is not to be trusted across the instant at: ages end
// there, and what was held is unknown.
func (p *Probe) Cut(at time.Duration) {
	p.Advance(at)
	p.d.void(p.v, at)
}

// Restart says that the sender numbers its broadcasts anew from here on.
func (p *Probe) Restart() {
	for _, r := range p.v.receivers {
		r.seen = sequenceWindow{}
	}
}

// Held returns the valid-time that the record of a slot and page has in the
// memory of the first display.
func (p *Probe) Held(slot, page int) (validAt time.Duration, ok bool) {
	r := p.v.receivers[0]
	if key, listed := p.v.keys[slot][page]; listed && key < len(r.values) {
		return r.values[key].validAt, r.values[key].known
	}
	return 0, false
}

// Queue returns how many broadcasts wait at a display, and how many it has
// dropped at its full queue: records of its own set and foreign broadcasts.
func (p *Probe) Queue(receiver int) (depth int, drops uint64) {
	r := p.v.receivers[receiver]
	return r.coming.len() + r.waiting.len(), r.log[fate.RecordQueueFull] + r.foreign[fate.ForeignQueueFull]
}

// Look returns what a display has measured up to the instant that the probe has
// been brought to.
func (p *Probe) Look(receiver int) ReceiverSnapshot { return p.v.receivers[receiver].snapshot() }

// Shown is what a display shows of one signal at an instant.
type Shown struct {
	Known bool
	Age   time.Duration // at the glass
	// Observed and Over are the time with a known value inside the window, and
	// that part of it with an age over the limit, up to the last update.
	Observed, Over time.Duration
}

// Show returns what a display shows of each of its signals at the instant that the
// probe has been brought to.
func (p *Probe) Show(receiver int, at time.Duration) []Shown {
	r := p.v.receivers[receiver]
	all := make([]Shown, len(r.spec.Shows))
	for _, d := range r.shown {
		for _, s := range d.signals {
			k := d.tracks[s.tracks]
			limited := k.glass
			if k.limit != nil && k.limit.At == scenarios.InMemory {
				limited = k.memory
			}
			all[s.index] = Shown{Known: d.glass.known, Observed: limited.Observed(), Over: limited.OverLimit()}
			if d.glass.known {
				all[s.index].Age = at - d.glass.validAt
			}
		}
	}
	return all
}

// Close ends the measurement at an instant and returns what the displays measured:
// of a [Replication] everything that they know of.
func (p *Probe) Close(at time.Duration) *Replication {
	if p.ended {
		panic("sim: Close of a probe that has ended")
	}
	p.ended = true
	p.d.end = at
	run := &Replication{Span: at}
	for _, r := range p.v.receivers {
		r.finish(at)
		r.countInside()
		for _, w := range r.shown {
			w.stop(at)
		}
		one := r.result(p.d)
		one.Window = max(0, one.Window)
		run.Receivers = append(run.Receivers, one)
	}
	return run
}
