package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
)

// air performs what happens on the medium at the instant at and shows it to
// every receiver.
func (d *driver) air(at time.Duration) {
	d.events = d.channel.Advance(at, d.events[:0])
	for _, e := range d.events {
		v := d.vehicles[e.Station]
		switch e.Kind {
		case radio.Opened:
			d.open(v, at)
			continue
		case radio.AccessFailed:
			d.done(v, at, false)
			continue
		case radio.Began:
			v.begin(at)
		case radio.PacketEnded:
			if !e.Pointer {
				v.land(at, e.Collided)
			}
		case radio.Ended:
			if d.tap != nil {
				d.tap(Sending{v.index, v.begun, at, e.Collided, v.handed.front().Broadcast})
			}
			v.land(at, e.Collided)
		}
		for _, r := range d.receivers {
			if outcome, settled := r.listener.Observe(e); settled {
				r.reach(at, v, outcome)
			}
		}
		if e.Kind == radio.Ended {
			v.heldBack = max(v.heldBack, e.Free)
			holdBack(v.bridge, e.Free)
			d.done(v, at, true)
		}
	}
}

// open lets a bridge choose what goes out in the advertising event at the
// instant at: the newest there is, or what went out last once more.
func (d *driver) open(v *vehicle, at time.Duration) {
	if at < v.from || v.until > 0 && at >= v.until {
		return // out of range
	}
	v.bridge.HoldBack(at)
	b, ok := v.bridge.Take(at)
	if !ok {
		b, ok = v.bridge.Again(at)
	}
	v.bridge.HoldBack(never)
	if ok {
		if v.trace != nil {
			v.trace.passed("", b, fate.StageSendQueue, at)
		}
		v.handed.push(sending{b, v.bridge})
		d.channel.Request(at, v.index, b.Size)
	}
	d.schedule(v)
}

// holdBack keeps a bridge from handing over before the medium takes it.
func holdBack(b *bridge.Bridge, until time.Duration) {
	if until > 0 {
		b.HoldBack(until)
	}
}

// begin notes a transmission.
func (v *vehicle) begin(at time.Duration) {
	b := v.handed.front().Broadcast
	v.onAir, v.begun = true, at
	v.pass(b, fate.StageAccess, at)
	v.broadcasts++
	v.records += uint64(len(b.Records))
}

// land ends a transmission or a packet of it that holds the payload. Of several
// packets the first one to end counts, and the first one without a collision: a
// stage that has been passed stays passed.
func (v *vehicle) land(at time.Duration, collided bool) {
	b := v.handed.front().Broadcast
	v.pass(b, fate.StageAirtime, at)
	if !collided {
		v.pass(b, fate.StageCollision, at)
	}
}

// outcomes are the fates of what a receiver makes of a broadcast, RecordTaken
// standing for heard.
var outcomes = [...]fate.Record{
	radio.Heard:        fate.RecordTaken,
	radio.Faded:        fate.RecordFaded,
	radio.BitErrors:    fate.RecordBitErrors,
	radio.Outage:       fate.RecordOutage,
	radio.Collided:     fate.RecordCollided,
	radio.NotListening: fate.RecordNotListening,
}

// reach settles the fate of the broadcast of v at this receiver.
func (r *receiver) reach(at time.Duration, v *vehicle, outcome radio.Outcome) {
	b, own := v.handed.front().Broadcast, r.home == v
	if next := r.phase + 1; next < len(r.phases) && r.phases[next].from < at {
		r.advance(at) // what is lost now is lost in the phase of now
	}
	switch {
	case v.begun < r.spec.PowerUp:
		r.miss(at, b, !own, fate.RecordNotPowered)
	case outcome != radio.Heard:
		r.miss(at, b, !own, outcomes[outcome])
	default:
		b.Retain(1)
		if own {
			r.passAll(b, fate.StageFading, at)
		}
		r.arrive(at, b, !own)
	}
}

// done frees the medium for the vehicle's next broadcast.
func (d *driver) done(v *vehicle, at time.Duration, sent bool) {
	v.onAir = false
	b := v.handed.pop()
	if !sent && v.trace != nil {
		v.trace.failed(b.Broadcast, at)
	}
	b.by.Sent(at, b.Broadcast, sent)
	b.Release()
	if v.handed.len() > 0 {
		d.channel.Request(at, v.index, v.handed.front().Size)
	}
	d.schedule(v)
}

// countOnAir closes the ledgers for the broadcast that is on the air at the end,
// at the receivers that have not heard it yet.
func (d *driver) countOnAir(v *vehicle) {
	if !v.onAir {
		return
	}
	b := v.handed.front().Broadcast
	for _, r := range d.receivers {
		sofar, open := r.listener.Pending(v.index)
		switch {
		case !open:
		case v.begun < r.spec.PowerUp:
			r.miss(d.end, b, r.home != v, fate.RecordNotPowered)
		case sofar == radio.NotListening:
			r.miss(d.end, b, r.home != v, fate.RecordNotListening)
		default:
			r.miss(d.end, b, r.home != v, fate.RecordInFlightAtEnd)
		}
	}
}

// countInside closes the ledger for what a receiver still holds at the end.
func (r *receiver) countInside() {
	if r.doing == handling {
		r.note(r.current.broadcast, r.current.foreign, fate.RecordInFlightAtEnd)
	}
	for i := range r.waiting.len() {
		a := r.waiting.at(i)
		r.note(a.broadcast, a.foreign, fate.RecordInFlightAtEnd)
	}
	for i := range r.coming.len() {
		a := r.coming.at(i)
		r.note(a.broadcast, a.foreign, fate.RecordInFlightAtEnd)
	}
}

// foreignFates are the words of the ledger of foreign broadcasts that say the
// same as those of the records.
var foreignFates = [fate.Records]fate.Foreign{
	fate.RecordNotPowered:    fate.ForeignNotPowered,
	fate.RecordNotListening:  fate.ForeignNotListening,
	fate.RecordCollided:      fate.ForeignCollided,
	fate.RecordFaded:         fate.ForeignFaded,
	fate.RecordBitErrors:     fate.ForeignBitErrors,
	fate.RecordOutage:        fate.ForeignOutage,
	fate.RecordQueueFull:     fate.ForeignQueueFull,
	fate.RecordInFlightAtEnd: fate.ForeignInFlightAtEnd,
	fate.RecordTaken:         fate.ForeignIgnored,
}

// miss enters the fate of a broadcast that does not arrive here, in the phase of the
// instant at: the receiver, which nothing else may have woken since, enters it first.
func (r *receiver) miss(at time.Duration, b *bridge.Broadcast, foreign bool, outcome fate.Record) {
	if r.phase+1 < len(r.phases) && r.phases[r.phase+1].from < at {
		r.advance(at)
	}
	r.note(b, foreign, outcome)
}

// note enters the fate of a whole broadcast in the ledger that it belongs to.
func (r *receiver) note(b *bridge.Broadcast, foreign bool, outcome fate.Record) {
	if foreign {
		r.foreign[foreignFates[outcome]]++
		return
	}
	r.log[outcome] += uint64(len(b.Records))
	if r.trace != nil {
		r.trace.records(r, b, outcome)
	}
}
