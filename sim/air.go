package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
)

// air performs what happens on the medium at the instant at.
func (d *driver) air(at time.Duration) {
	d.events = d.channel.Advance(at, d.events[:0])
	for _, e := range d.events {
		v := d.vehicles[e.Station]
		switch e.Kind {
		case radio.Began:
			d.begin(v, at)
		case radio.Ended:
			d.land(v, at, e.Collided)
			d.done(v, at, true)
		case radio.AccessFailed:
			d.done(v, at, false)
		}
	}
}

// begin notes a transmission and what each receiver will make of it. The state
// of the weather is that of the instant at which the broadcast begins.
func (d *driver) begin(v *vehicle, at time.Duration) {
	b := *v.handed.front()
	v.onAir, v.begun = true, at
	v.pass(b, fate.StageAccess, at)
	v.broadcasts++
	v.records += uint64(len(b.Records))
	until := at + d.plan.Radio.Airtime(b.Size)
	for i, r := range d.receivers {
		v.fates[i] = r.hears(at, until)
	}
}

// hears returns the fate of a broadcast that begins at this receiver,
// RecordTaken standing for heard.
func (r *receiver) hears(from, until time.Duration) fate.Record {
	outcome := r.fading.Hear(from, until)
	switch {
	case from < r.spec.PowerUp:
		return fate.RecordNotPowered
	case outcome == radio.NotListening:
		return fate.RecordNotListening
	case outcome == radio.Faded:
		return fate.RecordFaded
	case outcome == radio.BitErrors:
		return fate.RecordBitErrors
	case outcome == radio.Outage:
		return fate.RecordOutage
	}
	return fate.RecordTaken
}

// land brings a broadcast to the receivers that heard it.
func (d *driver) land(v *vehicle, at time.Duration, collided bool) {
	b := *v.handed.front()
	if d.tap != nil {
		d.tap(Sending{v.index, v.begun, at, collided, b})
	}
	v.pass(b, fate.StageAirtime, at)
	if !collided {
		v.pass(b, fate.StageCollision, at)
	}
	for i, r := range d.receivers {
		own := r.home == v
		outcome := v.fates[i]
		deaf := outcome == fate.RecordNotPowered || outcome == fate.RecordNotListening
		if collided && !deaf {
			outcome = fate.RecordCollided
		}
		if outcome != fate.RecordTaken {
			r.note(b, !own, outcome)
			continue
		}
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
	v.bridge.Sent(at, b, sent)
	b.Release()
	if v.handed.len() > 0 {
		d.channel.Request(at, v.index, (*v.handed.front()).Size)
	}
	d.schedule(v)
}

// countOnAir closes the ledgers for the broadcast that is on the air at the end.
func (d *driver) countOnAir(v *vehicle) {
	if !v.onAir {
		return
	}
	b := *v.handed.front()
	for i, r := range d.receivers {
		outcome := v.fates[i]
		if outcome != fate.RecordNotPowered && outcome != fate.RecordNotListening {
			outcome = fate.RecordInFlightAtEnd
		}
		r.note(b, r.home != v, outcome)
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

// note enters the fate of a whole broadcast in the ledger that it belongs to.
func (r *receiver) note(b *bridge.Broadcast, foreign bool, outcome fate.Record) {
	if foreign {
		r.foreign[foreignFates[outcome]]++
		return
	}
	r.log[outcome] += uint64(len(b.Records))
}
