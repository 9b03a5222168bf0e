package sim

import (
	"slices"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// mark is what the medium and the bridge under design had seen at an instant.
type mark struct {
	at         time.Duration
	usage      radio.Usage
	broadcasts uint64
	records    uint64
}

// setMarks lists the instants between which the medium is accounted for: the
// start of the air window, the phases, the end.
func (d *driver) setMarks() {
	from := d.end
	for _, w := range d.from {
		from = min(from, w)
	}
	d.marks = append(d.marks, mark{at: from})
	if len(d.plan.Phases) > 1 {
		for _, p := range d.plan.Phases {
			d.marks = append(d.marks, mark{at: min(max(p.From, from), d.end)})
		}
	}
	d.marks = append(d.marks, mark{at: d.end})
}

// passMarks notes the state of the medium at every mark up to at, before
// anything that happens at a later instant.
func (d *driver) passMarks(at time.Duration) {
	for d.nextMark < len(d.marks) && d.marks[d.nextMark].at <= at {
		d.marks[d.nextMark] = d.markNow(d.marks[d.nextMark].at)
		d.nextMark++
	}
}

// markNow notes the state of the medium at an instant since which nothing has
// happened.
func (d *driver) markNow(at time.Duration) mark {
	usage := d.channel.Usage(at)
	usage.Own, usage.Occupied = slices.Clone(usage.Own), slices.Clone(usage.Occupied)
	usage.Sent = slices.Clone(usage.Sent)
	return mark{at: at, usage: usage, broadcasts: d.vehicles[0].broadcasts, records: d.vehicles[0].records}
}

// airBetween returns what was on the medium between two marks.
func (d *driver) airBetween(from, until int) Air {
	return d.airOf(&d.marks[from], &d.marks[until])
}

func (d *driver) airOf(a, b *mark) Air {
	station := d.vehicles[0].index
	others := b.usage.Others - a.usage.Others
	for i := range b.usage.Own {
		if i != station {
			others += b.usage.Own[i] - a.usage.Own[i]
		}
	}
	return Air{
		Window:     b.at - a.at,
		Own:        b.usage.Own[station] - a.usage.Own[station],
		Occupied:   b.usage.Occupied[station] - a.usage.Occupied[station],
		Others:     others,
		Offered:    b.usage.Offered - a.usage.Offered,
		Broadcasts: b.broadcasts - a.broadcasts,
		Records:    b.records - a.records,
	}
}

// phase is a phase at one receiver.
type phase struct {
	from time.Duration
	log  [fate.Records]uint64 // the ledger when the phase began
}

// setPhases gives a receiver the phases of the plan.
func (r *receiver) setPhases(phases []scenarios.Phase) {
	r.phases = []phase{{}}
	for i, p := range phases {
		if i > 0 {
			r.phases = append(r.phases, phase{from: p.From})
		}
	}
}

// enterPhase begins the next phase: the tracks of the old one end here, those of
// the new one begin with what is at the glass.
func (r *receiver) enterPhase(t time.Duration) {
	old := r.phase
	r.phase++
	r.phases[r.phase].log = r.log
	for _, w := range r.shown {
		if !w.open {
			continue
		}
		for _, k := range w.tracks {
			if k.phases != nil { // not those of an expiry
				k.phases[old].Close(t)
				k.phases[r.phase].Open(t, w.glass.validAt)
			}
		}
	}
}

// phaseRuns collects the phases of the vehicle under design.
func (d *driver) phaseRuns() []PhaseRun {
	if len(d.plan.Phases) < 2 {
		return nil
	}
	var runs []PhaseRun
	for i, p := range d.plan.Phases {
		run := PhaseRun{
			Name: p.Name, From: min(p.From, d.end), Until: d.end, Air: d.airBetween(i+1, i+2),
		}
		if i+1 < len(d.plan.Phases) {
			run.Until = min(d.plan.Phases[i+1].From, d.end)
		}
		for _, r := range d.vehicles[0].receivers {
			run.Receivers = append(run.Receivers, r.phaseRun(i, run.From, run.Until))
		}
		runs = append(runs, run)
	}
	return runs
}

func (r *receiver) phaseRun(i int, from, until time.Duration) PhaseReceiver {
	log := r.log
	if i+1 <= r.phase {
		log = r.phases[i+1].log
	}
	run := PhaseReceiver{
		Window: max(until-max(from, r.from), 0),
		Glass:  make([]*age.Track, len(r.spec.Shows)),
	}
	for k := range log {
		if i <= r.phase {
			run.RecordFates[k] = log[k] - r.phases[i].log[k]
		}
	}
	for _, w := range r.shown {
		for _, s := range w.signals {
			run.Glass[s.index] = w.tracks[s.tracks].phases[i]
		}
	}
	return run
}
