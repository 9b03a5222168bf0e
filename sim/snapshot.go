package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim/age"
)

// Snapshot is what a run has measured up to an instant inside it, before anything
// that happens at that instant. It holds for the time of the call only.
type Snapshot struct {
	At         time.Duration
	Frames     uint64
	FrameFates [fate.Frames]uint64 // what is inside the bridge may still change its fate
	BusBusy    time.Duration
	Stages     []bridge.StageUse
	Air        Air // since the start of the air window, zero before it
	Receivers  []ReceiverSnapshot
}

// ReceiverSnapshot is what one display has measured up to an instant.
type ReceiverSnapshot struct {
	RecordFates [fate.Records]uint64
	Foreign     [fate.Foreigns]uint64
	Signals     []SignalSnapshot
}

// SignalSnapshot is what one shown signal has measured up to an instant. The
// tracks are those of the run: they are to be read only.
type SignalSnapshot struct{ Glass, Memory *age.Track }

// looks are the instants at which somebody wants to see the run.
type looks struct {
	at   []time.Duration
	see  func(*Snapshot)
	next time.Duration // at[0], or never
}

func newLooks(at []time.Duration, see func(*Snapshot)) looks {
	l := looks{at: at, see: see, next: never}
	if len(at) > 0 {
		l.next = at[0]
	}
	return l
}

// look shows the run at every instant up to at.
func (d *driver) look(at time.Duration) {
	for l := &d.looks; l.next <= at; {
		// Nothing happens between the last event and this instant but what
		// receivers still have to do.
		d.passMarks(l.next)
		d.settle(l.next)
		for _, r := range d.vehicles[0].receivers {
			r.advance(l.next)
		}
		l.see(d.snapshot(l.next))
		l.at = l.at[1:]
		*l = newLooks(l.at, l.see)
	}
}

func (d *driver) snapshot(at time.Duration) *Snapshot {
	v := d.vehicles[0]
	s := &Snapshot{
		At: at, Frames: v.frames, FrameFates: v.frameFates(), BusBusy: v.busy, Stages: v.stages(),
	}
	if d.nextMark > 0 {
		now := d.markNow(at)
		s.Air = d.airOf(&d.marks[0], &now)
	}
	for _, r := range v.receivers {
		s.Receivers = append(s.Receivers, r.snapshot())
	}
	return s
}

func (r *receiver) snapshot() ReceiverSnapshot {
	seen := ReceiverSnapshot{RecordFates: r.log, Foreign: r.foreign, Signals: make([]SignalSnapshot, len(r.spec.Shows))}
	for _, w := range r.shown {
		for _, k := range w.signals {
			seen.Signals[k.index] = SignalSnapshot{Glass: w.tracks[k.tracks].glass, Memory: w.tracks[k.tracks].memory}
		}
	}
	return seen
}
