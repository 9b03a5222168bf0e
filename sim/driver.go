package sim

import (
	"errors"
	"fmt"
	"io"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// driver is the virtual clock of one run. It pulls bus frames and compares their
// instants with what the bridges and the medium wait for; everything else is
// worked out when it is needed.
type driver struct {
	plan     *scenarios.Plan
	end      time.Duration
	from     []time.Duration
	vehicles []*vehicle
	table    timetable
	channel  radio.Channel
	// advertises says that the medium opens events, in which the bridges choose
	// what they send.
	advertises bool
	events     []radio.Event

	receivers []*receiver // of all vehicles
	lagging   []*receiver // with tracks that have not opened
	settled   time.Duration
	now       time.Duration

	tap func(Sending) // nil = nobody listens in

	marks    []mark // in order of time: begin of the air window, of every phase, end
	nextMark int

	waits busWaits // of the vehicle under design
	looks looks
	trace *tracer // nil when nobody asks for the lives of records
}

// Run simulates one replication of a plan. The plan is only read: several
// replications may run at the same time. The same plan and replication give the
// same result.
func Run(plan *scenarios.Plan, replication int) (*Replication, error) {
	return execute(plan, replication, nil, func(*driver) {})
}

// Observe is Run with looks inside the run: see is called at each instant of at,
// ascending, that lies before the end, and changes nothing of the result.
func Observe(plan *scenarios.Plan, replication int, at []time.Duration, see func(*Snapshot)) (*Replication, error) {
	return execute(plan, replication, nil, func(d *driver) { d.looks = newLooks(at, see) })
}

// Sending is a broadcast whose last symbol leaves the air at an instant.
type Sending struct {
	Vehicle   int // 0 = the one under design, then the neighbours in their order
	Begun, At time.Duration
	Collided  bool
	Broadcast *bridge.Broadcast // to be read during the call only
}

// RunTapped is Run; tap, when it is not nil, is told every broadcast that has been
// on the air, in order of their ends.
func RunTapped(plan *scenarios.Plan, replication int, tap func(Sending)) (*Replication, error) {
	return execute(plan, replication, nil, func(d *driver) { d.tap = tap })
}

// execute runs a replication with a driver that was fitted out for a purpose,
// followed by a tracer or nobody.
func execute(plan *scenarios.Plan, replication int, trace *tracer, fit func(*driver)) (*Replication, error) {
	d, err := newTracedDriver(plan, replication, trace)
	if err != nil {
		return nil, fmt.Errorf("replication %d: %w", replication, err)
	}
	fit(d)
	d.run()
	err = errors.Join(d.sourceError(), d.closeSources())
	if d.trace.stopped() {
		return nil, trace.err
	}
	if err != nil {
		return nil, fmt.Errorf("replication %d: %w", replication, err)
	}
	return d.result(replication), nil
}

func newDriver(plan *scenarios.Plan, replication int) (*driver, error) {
	return newTracedDriver(plan, replication, nil)
}

func newTracedDriver(plan *scenarios.Plan, replication int, trace *tracer) (*driver, error) {
	d := &driver{plan: plan, looks: newLooks(nil, nil), advertises: radio.InfoOf(plan.Radio).Advertises, trace: trace}
	d.from, d.end = plan.Window()
	d.setMarks()
	streams := scenarios.Streams{Seed: plan.Seed, Replication: uint64(replication)}
	if err := d.addVehicles(streams); err != nil {
		return nil, err
	}
	d.lagging = append(d.lagging, d.vehicles[0].receivers...)
	if plan.Bus.Capture == nil {
		d.waits = make(busWaits, len(plan.Bus.Messages))
	}
	power := make([]float64, len(d.vehicles))
	station := 1
	for _, n := range plan.Neighbours {
		for range n.Count {
			power[station] = n.Power
			station++
		}
	}
	d.channel = plan.Radio.Channel(radio.ChannelConfig{
		Stations: len(d.vehicles), Background: plan.Background, Power: power, Stream: streams.Rand,
	})
	return d, nil
}

// addVehicles builds the vehicle under design and its neighbours.
func (d *driver) addVehicles(streams scenarios.Streams) error {
	v, err := newVehicle(d, 0, 0, &d.plan.Vehicle, streams)
	if err != nil {
		return err
	}
	d.vehicles = append(d.vehicles, v)
	for i := range d.plan.Neighbours {
		n := &d.plan.Neighbours[i]
		for k := range n.Count {
			v, err := newVehicle(d, len(d.vehicles), k, &n.Vehicle, streams.Of(n.Name, k))
			if err != nil {
				return fmt.Errorf("neighbour %s: %w", n.Name, err)
			}
			if v.from, v.until = n.From, n.Until; v.from > 0 { // nothing was silent before
				if v.bridge, err = v.build(v.from, 0); err != nil {
					return fmt.Errorf("neighbour %s: bridge: %w", n.Name, err)
				}
			}
			d.vehicles = append(d.vehicles, v)
		}
	}
	for _, v := range d.vehicles {
		d.receivers = append(d.receivers, v.receivers...)
	}
	return nil
}

// present is the instant before which nobody will look back.
func (d *driver) present() time.Duration {
	if len(d.lagging) > 0 {
		return d.settled
	}
	return d.now
}

// run performs everything up to the end.
func (d *driver) run() {
	d.table.reset(len(d.vehicles))
	for _, v := range d.vehicles {
		v.pull()
		for v.more && v.frame.At < v.from {
			v.pull() // out of range: its bus runs, nobody hears of it
		}
		d.schedule(v)
	}
	for {
		at, kind, index := d.table.first()
		air, ok := d.channel.Next()
		if ok && air < at {
			at, kind = air, airWork
		}
		if at > d.end || at == never || d.trace.stopped() {
			break
		}
		if at >= d.looks.next {
			d.look(at)
		}
		d.passMarks(at)
		d.now = at
		if d.trace != nil {
			d.follow(at)
		}
		switch kind {
		case resetWork:
			d.settle(at)
			d.reset(d.vehicles[index], at)
		case frameWork:
			d.frames(d.vehicles[index], d.table.second(index), air, ok)
		case takeWork:
			d.settle(at)
			d.take(d.vehicles[index], at)
		case airWork:
			d.settle(at)
			d.air(at)
		}
	}
	if !d.trace.stopped() {
		d.finish()
	}
}

// frames offers the frames of a vehicle to its bridge as long as nothing else
// comes before them.
func (d *driver) frames(v *vehicle, others, air time.Duration, airOpen bool) {
	until := min(others, d.end, d.looks.next-1)
	if v.until > 0 {
		until = min(until, v.until-1)
	}
	if v.resets < len(v.spec.Resets) {
		until = min(until, v.spec.Resets[v.resets].From-1)
	}
	if airOpen {
		until = min(until, air)
	}
	for {
		d.frame(v)
		v.pull()
		due, ok := v.bridge.Due()
		if !v.more || v.frame.At > until || ok && due < v.frame.At {
			break
		}
		d.now = v.frame.At
		if d.trace != nil {
			if d.follow(d.now); d.trace.stopped() {
				break
			}
		}
	}
	d.schedule(v)
}

// frame offers one frame.
func (d *driver) frame(v *vehicle) {
	f := &v.frame
	if f.AfterGap {
		d.void(v, f.At)
		if v.trace != nil {
			v.trace.gap(f.At)
		}
	}
	if f.Kind == bus.Error {
		return
	}
	v.frames++
	if v.index == 0 {
		d.waits.note(f)
	}
	if c := v.catalogue.carrier(f.ID); c != nil && f.Kind == bus.Data {
		d.settle(f.At)
		if v.trace != nil {
			v.trace.received(c, f)
		}
		page := c.page(f)
		if f.Message < 0 { // a capture knows of no release before the reception
			c.pass(fate.StageSource, page, f.At, f.At, f.Released)
		}
		any, paged := c.groups(page)
		if any != nil {
			any.receive(f)
		}
		if paged != nil {
			paged.receive(f)
		}
	}
	if f.At < v.up {
		v.lost++
		v.bridge.PassOver(1)
		v.trace.lost(f)
		return
	}
	v.bridge.Offer(f.At, f)
}

// void closes every track of a vehicle at a gap of its traffic.
func (d *driver) void(v *vehicle, at time.Duration) {
	for _, r := range v.receivers {
		r.advance(at)
		if !r.pendingOpen() {
			d.lagging = append(d.lagging, r)
		}
		r.void(at)
	}
	for _, g := range v.catalogue.groups {
		for _, h := range g.histories {
			h.cut()
		}
	}
	v.voidBefore = at
	d.settled = at
}

// settle brings the receivers whose tracks have not opened up to the present:
// the stages before them must not run ahead of an opening.
func (d *driver) settle(at time.Duration) {
	if len(d.lagging) == 0 {
		return
	}
	kept := d.lagging[:0]
	for _, r := range d.lagging {
		r.advance(at)
		if r.pendingOpen() {
			kept = append(kept, r)
		}
	}
	d.lagging = kept
	d.settled = at
}

// schedule enters what a vehicle waits for.
func (d *driver) schedule(v *vehicle) {
	at, kind := never, takeWork
	if due, ok := v.bridge.Due(); ok {
		at = max(due, v.from, v.up)
	}
	if v.more && v.frame.At <= at {
		at, kind = v.frame.At, frameWork
	}
	if v.resets < len(v.spec.Resets) && v.spec.Resets[v.resets].From <= at {
		at, kind = v.spec.Resets[v.resets].From, resetWork
	}
	if v.until > 0 && at >= v.until {
		at = never // out of range from here on
	}
	d.table.set(v.index, at, kind)
}

// take lets a bridge work and hands what it sends to the medium.
func (d *driver) take(v *vehicle, at time.Duration) {
	if b, ok := v.bridge.Take(at); ok {
		if v.trace != nil {
			v.trace.passed("", b, fate.StageSendQueue, at)
		}
		v.handed.push(sending{b, v.bridge})
		if v.handed.len() == 1 {
			d.channel.Request(at, v.index, b.Size)
		}
	}
	d.schedule(v)
}

// finish brings every receiver to the end.
func (d *driver) finish() {
	d.look(d.end - 1)
	d.now = d.end
	d.settle(d.end)
	d.follow(d.end)
	d.passMarks(d.end)
	for _, v := range d.vehicles {
		v.bridge.Close(d.end)
		d.countOnAir(v)
		for _, r := range v.receivers {
			r.finish(d.end)
			r.countInside()
			for _, w := range r.shown {
				for _, k := range w.waiting() {
					k.deadlines.decide(w.group, d.end+1, r.from, r.end, w.glass)
				}
				w.stop(d.end)
			}
		}
	}
	d.trace.flush(d.end + 1)
}

// closeSources closes the files of captures.
func (d *driver) closeSources() error {
	var all []error
	for _, v := range d.vehicles {
		if c, ok := v.source.(io.Closer); ok {
			all = append(all, c.Close())
		}
	}
	return errors.Join(all...)
}

// sourceError returns what stopped a source before the end.
func (d *driver) sourceError() error {
	for _, v := range d.vehicles {
		if s, ok := v.source.(interface{ Err() error }); ok && s.Err() != nil {
			return s.Err()
		}
	}
	return nil
}
