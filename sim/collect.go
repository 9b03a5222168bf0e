package sim

import (
	"stalegauge/bus/fate"
	"stalegauge/sim/age"
)

// result collects what the run measured.
func (d *driver) result(replication int) *Replication {
	v := d.vehicles[0]
	r := &Replication{
		Index:      replication,
		Span:       d.end,
		Frames:     v.frames,
		FrameFates: v.frameFates(),
		BusBusy:    v.busy,
		BusWaits:   d.waits,
		Stages:     v.stages(),
		Entries:    v.slots(),
		Records:    v.records,
		Air:        d.airBetween(0, len(d.marks)-1),
		Phases:     d.phaseRuns(),
	}
	for _, receiver := range v.receivers {
		r.Receivers = append(r.Receivers, receiver.result(d))
	}
	r.Neighbours = d.neighbourRuns()
	return r
}

// neighbourRuns sums up the neighbours by name.
func (d *driver) neighbourRuns() (runs []NeighbourRun) {
	next := 1
	first, last := &d.marks[0], &d.marks[len(d.marks)-1]
	for _, n := range d.plan.Neighbours {
		run := NeighbourRun{Name: n.Name, Count: n.Count}
		for _, v := range d.vehicles[next : next+n.Count] {
			run.Own += last.usage.Own[v.index] - first.usage.Own[v.index]
			run.Broadcasts += last.usage.Sent[v.index] - first.usage.Sent[v.index]
			for _, r := range v.receivers {
				for k, count := range r.log {
					run.RecordFates[k] += count
				}
			}
		}
		next += n.Count
		runs = append(runs, run)
	}
	return runs
}

// signalRun is what a display measured of one of its signals.
func (w *display) signalRun(s shownAs, k *tracks, terms [fate.Stages]age.Int128, r *receiver) SignalRun {
	run := SignalRun{Glass: k.glass, Memory: k.memory, Floor: k.floor, Waterfall: terms, Deadlines: k.deadlines.found}
	if w.ever {
		run.Seen, run.First = true, w.first-r.spec.PowerUp
	}
	if s.expiry >= 0 {
		e := w.tracks[s.expiry]
		run.Expiry = &ExpiryRun{Glass: e.glass, Floor: e.floor}
	}
	if s.view >= 0 {
		values := w.views[s.view].result()
		run.Values = &values
	}
	return run
}

func (r *receiver) result(d *driver) ReceiverRun {
	run := ReceiverRun{
		Window:      d.end - r.from,
		RecordFates: r.log,
		Foreign:     r.foreign,
		Filled:      r.full,
		Restarts:    r.restarts,
		Signals:     make([]SignalRun, len(r.spec.Shows)),
	}
	if r.full {
		run.FirstPicture = r.filled - r.spec.PowerUp
	}
	for _, w := range r.shown {
		terms := w.waterfall()
		for _, s := range w.signals {
			k := w.tracks[s.tracks]
			run.Signals[s.index] = w.signalRun(s, k, terms, r)
		}
	}
	return run
}
