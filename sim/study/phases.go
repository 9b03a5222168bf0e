package study

import (
	"time"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// phasePool gathers one phase of all replications.
type phasePool struct {
	name        string
	from, until time.Duration
	air         airPool
	receivers   []phaseReceiverPool
}

type phaseReceiverPool struct {
	fates   [fate.Records]uint64
	signals []phaseSignalPool
}

type phaseSignalPool struct {
	glass   *age.Track
	age     timed
	limited excess
	unknown ratio
	window  time.Duration
	episode episode
}

func (p *pool) addPhases(runs []sim.PhaseRun) {
	if p.phases == nil {
		p.phases = make([]phasePool, len(runs))
		for i := range runs {
			p.phases[i].prepare(p, &runs[i])
		}
	}
	if len(runs) != len(p.phases) {
		panic("study: a replication with other phases than the one before")
	}
	for i := range runs {
		p.phases[i].add(&runs[i])
	}
}

func (p *phasePool) prepare(all *pool, run *sim.PhaseRun) {
	p.name, p.from, p.until = run.Name, run.From, run.Until
	p.receivers = make([]phaseReceiverPool, len(run.Receivers))
	for i := range p.receivers {
		p.receivers[i].signals = make([]phaseSignalPool, len(run.Receivers[i].Glass))
		for k := range p.receivers[i].signals {
			p.receivers[i].signals[k].episode = all.receivers[i].signals[k].episode
		}
	}
}

func (p *phasePool) add(run *sim.PhaseRun) {
	p.air.add(&run.Air)
	for i := range run.Receivers {
		from, to := &run.Receivers[i], &p.receivers[i]
		for k, n := range from.RecordFates {
			to.fates[k] += n
		}
		for k, track := range from.Glass {
			to.signals[k].add(track, from.Window)
		}
	}
}

func (s *phaseSignalPool) add(track *age.Track, window time.Duration) {
	if s.glass == nil {
		s.glass = age.NewTrack(track.Limit())
	}
	s.glass.Merge(track)
	s.age.add(track)
	s.limited.add(track)
	s.unknown.add(seconds(window-track.Observed()), seconds(window))
	s.window += window
}

func (p *phasePool) result(alpha float64) Phase {
	r := Phase{Name: p.name, From: seconds(p.from), Until: seconds(p.until), Air: p.air.result(alpha)}
	for i := range p.receivers {
		receiver := PhaseReceiver{RecordFates: p.receivers[i].fates}
		for k := range p.receivers[i].signals {
			receiver.Signals = append(receiver.Signals, p.receivers[i].signals[k].result(alpha))
		}
		r.Receivers = append(r.Receivers, receiver)
	}
	return r
}

// changesOf adds what became of the changes in a phase.
func (p *pool) changesOf(phase int, f *Phase, alpha float64) {
	for i := range f.Receivers {
		for k := range f.Receivers[i].Signals {
			s := &p.receivers[i].signals[k]
			if phase >= len(s.values.phases) || s.shown.Limit == nil || s.shown.Limit.Of != scenarios.OfChange {
				continue
			}
			trials, to := &s.values.phases[phase], &f.Receivers[i].Signals[k]
			to.Changes, to.Late = trials.count, trials.share.trials(1, alpha)
			to.OverLimit, to.Violations = Value{}, Value{} // the limit does not speak of the age
		}
	}
}

func (s *phaseSignalPool) result(alpha float64) PhaseSignal {
	r := PhaseSignal{
		Observed: seconds(s.glass.Observed()), Window: seconds(s.window),
		UnknownShare: s.unknown.value(alpha, 1),
		Age:          s.age.statistic(s.glass, alpha),
	}
	if s.glass.Limit() > 0 {
		r.OverLimit, r.Violations, _ = s.limited.figures(s.episode.length, alpha)
	}
	return r
}
