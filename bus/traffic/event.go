package traffic

import "time"

// events merges the reasons for which an event message is released.
type events struct {
	gap       time.Duration
	heartbeat time.Duration // 0 = none

	last     time.Duration // newest release
	beat     time.Duration // next heartbeat
	cyclic   time.Duration // next release of the message's own clock
	dice     dice          // first heartbeats
	changes  []change
	arrivals []arrivals // one for each member of a group
}

// change is a watched field with the next instant at which it changes.
type change struct {
	curve Curve
	at    time.Duration
}

// arrivals is a Poisson process seen late by a fixed time. The members of a
// group see one process, so that groups may overlap.
type arrivals struct {
	at    time.Duration
	every time.Duration
	late  time.Duration
	dice  dice
}

func (a *arrivals) advance() { a.at += a.dice.exponential(a.every) }

// newEvents returns the law of an event message. The keys address the random
// numbers of arrivals and heartbeats; the curves are those of the fields
// watched and are copied.
func newEvents(e *Events, heartbeat time.Duration, arrivalKey, beatKey uint64, watched []Curve) *events {
	v := &events{gap: e.MinGap, heartbeat: heartbeat, dice: dice(beatKey)}
	for _, c := range watched {
		v.changes = append(v.changes, change{curve: c})
	}
	if e.Every > 0 {
		for i := range max(1, e.Group) {
			v.arrivals = append(v.arrivals, arrivals{
				every: e.Every, late: time.Duration(i) * e.Spacing, dice: dice(arrivalKey),
			})
		}
	}
	return v
}

// copyFrom makes v run on from where o is. Both have the same slices' lengths.
func (v *events) copyFrom(o *events) {
	changes, arrivals := v.changes, v.arrivals
	*v = *o
	v.changes, v.arrivals = changes, arrivals
	copy(v.changes, o.changes)
	copy(v.arrivals, o.arrivals)
}

// begin starts anew at from and returns the first release.
func (v *events) begin(from time.Duration, r *releases) time.Duration {
	v.last = from - v.gap
	v.beat, v.cyclic = never, never
	if v.heartbeat > 0 {
		v.beat = from + r.offset
		if r.phase == PhaseRandom {
			v.beat = from + time.Duration(v.dice.below(uint64(v.heartbeat)))
		}
	}
	if r.own.step > 0 {
		v.cyclic = r.own.begin(from, r.phase, r.offset)
	}
	for i := range v.changes {
		v.changes[i].at = v.changes[i].curve.NextChange(from)
	}
	// The Poisson process has no memory: it starts anew, for all members of a
	// group with the numbers of the first, who has drawn the most.
	for i := len(v.arrivals) - 1; i >= 0; i-- {
		a := &v.arrivals[i]
		a.dice = v.arrivals[0].dice
		a.at = from + a.late
		a.advance()
	}
	return v.take(&r.own)
}

// take returns the next release.
func (v *events) take(own *cyclic) time.Duration {
	event := never
	for i := range v.changes {
		event = min(event, v.changes[i].at)
	}
	for i := range v.arrivals {
		event = min(event, v.arrivals[i].at)
	}
	if event < never {
		event = max(event, v.last+v.gap)
	}
	at := min(event, v.beat, v.cyclic)
	if at == never {
		return never
	}
	v.last = at
	if v.heartbeat > 0 {
		v.beat = at + v.heartbeat
	}
	if v.cyclic == at {
		v.cyclic = own.take()
	}
	for i := range v.changes {
		if c := &v.changes[i]; c.at <= at {
			c.at = c.curve.NextChange(at)
		}
	}
	for i := range v.arrivals {
		for a := &v.arrivals[i]; a.at <= at; {
			a.advance()
		}
	}
	return at
}
