package metrics

import (
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// ReadSignal reads what a track at the glass has measured up to now in a window
// that began at from. limited is the track that follows the limit, the same one or
// that of the memory. native asks for the native histogram of latencies too. A
// closed track is read as it ended.
func ReadSignal(glass, limited *age.Track, from, now time.Duration, native bool) Signal {
	shown := glass.Read(now)
	s := Signal{
		Limit: limited.Limit(), Observed: shown.Observed, TwiceArea: shown.TwiceArea,
		Unknown: max(now-from, 0) - shown.Observed, Within: glass.Within(now, AgeBounds, nil),
		Latency: readLatency(glass.Latencies(), native),
	}
	if s.Limit > 0 {
		over := limited.Read(now)
		s.Stale, s.Violations = over.OverLimit, over.Violations
	}
	s.Updated, s.HasUpdate = glass.Updated()
	return s
}

// schema of the native histograms: 8 buckets for a factor of two, so that a
// quantile is right within 9 %, and mostly much closer.
const schema = 3

func readLatency(p *age.Points, native bool) Latency {
	l := Latency{Count: p.Count(), Sum: p.Sum(), Within: p.Within(AgeBounds)}
	if !native {
		return l
	}
	l.Native = map[int]int64{}
	higher := uint64(0)
	p.Above(func(bucket int, values uint64) {
		n := values - higher
		higher = values
		if n == 0 {
			return
		}
		mean, _ := p.BucketMean(bucket)
		if mean == 0 {
			l.Zero += n
			return
		}
		l.Native[int(math.Ceil(math.Log2(mean/1e9)*(1<<schema)))] += int64(n)
	})
	return l
}

// reader turns what the simulator shows into snapshots.
type reader struct {
	plan  *scenarios.Plan
	from  []time.Duration
	first time.Duration // begin of the air window
	end   time.Duration
	names func(*scenarios.Shown) string
}

func newReader(plan *scenarios.Plan) *reader {
	r := &reader{plan: plan, names: signalNames(plan)}
	r.from, r.end = plan.Window()
	r.first = r.end
	for _, from := range r.from {
		r.first = min(r.first, from)
	}
	return r
}

// signalNames returns how signals are called: by their name, with the identifier
// before it where two messages have a signal of that name.
func signalNames(plan *scenarios.Plan) func(*scenarios.Shown) string {
	first, twice := map[string]bus.ID{}, map[string]bool{}
	for _, r := range plan.Receivers {
		for _, s := range r.Shows {
			if id, ok := first[s.Signal.Name]; ok && id != s.ID {
				twice[s.Signal.Name] = true
			}
			first[s.Signal.Name] = s.ID
		}
	}
	return func(s *scenarios.Shown) string {
		if twice[s.Signal.Name] {
			return s.ID.String() + "." + s.Signal.Name
		}
		return s.Signal.Name
	}
}

// inside reads a look inside a run.
func (r *reader) inside(s *sim.Snapshot) *Snapshot {
	out := r.blank(s.At, s.Frames, s.FrameFates, s.BusBusy, s.Stages, s.Air)
	out.Bridge.FrameFates[fate.FrameInsideAtEnd] = 0 // not at its end yet
	for i := range s.Receivers {
		seen := &s.Receivers[i]
		receiver := r.receiver(i, seen.RecordFates, seen.Foreign)
		for k, one := range seen.Signals {
			receiver.Signals = append(receiver.Signals, r.signal(i, k, one.Glass, one.Memory, s.At, false))
		}
		out.Receivers = append(out.Receivers, receiver)
	}
	return out
}

// ended reads a run that has ended.
func (r *reader) ended(run *sim.Replication, native bool) *Snapshot {
	out := r.blank(run.Span, run.Frames, run.FrameFates, run.BusBusy, run.Stages, run.Air)
	for i := range run.Receivers {
		seen := &run.Receivers[i]
		receiver := r.receiver(i, seen.RecordFates, seen.Foreign)
		for k, one := range seen.Signals {
			receiver.Signals = append(receiver.Signals, r.signal(i, k, one.Glass, one.Memory, run.Span, native))
		}
		out.Receivers = append(out.Receivers, receiver)
	}
	return out
}

func (r *reader) blank(at time.Duration, frames uint64, fates [fate.Frames]uint64, busy time.Duration, stages []bridge.StageUse, air sim.Air) *Snapshot {
	return &Snapshot{
		At:     at,
		Bridge: &Bridge{Frames: frames, FrameFates: fates, BusBusy: busy, Observed: at, Stages: slices.Clone(stages)},
		Air:    &Air{From: r.first, Limit: r.plan.Bridge.Limit.AirShare, Air: air},
	}
}

func (r *reader) receiver(i int, records [fate.Records]uint64, foreign [fate.Foreigns]uint64) Receiver {
	return Receiver{Name: r.plan.Receivers[i].Name, From: r.from[i], RecordFates: records, Foreign: foreign}
}

func (r *reader) signal(i, k int, glass, memory *age.Track, now time.Duration, native bool) Signal {
	shown := &r.plan.Receivers[i].Shows[k]
	limited := glass
	if shown.Limit != nil && shown.Limit.At == scenarios.InMemory {
		limited = memory
	}
	s := ReadSignal(glass, limited, r.from[i], now, native)
	s.Name = r.names(shown)
	if shown.AgeLimit() == nil { // a limit of changes or starts makes no age stale
		s.Limit, s.Stale, s.Violations = 0, 0, 0
	}
	return s
}

// Tally sums up the replications of a study as they end: a Source of a running
// study. It may be used from several goroutines.
type Tally struct {
	reader   *reader
	design   string
	lock     sync.Mutex
	sum      *Snapshot
	progress Progress
}

// NewTally returns a tally of nothing yet, for a design of that name.
func NewTally(plan *scenarios.Plan, design string) *Tally {
	return &Tally{reader: newReader(plan), design: design}
}

// Add counts a replication that has ended. It keeps nothing of run.
func (t *Tally) Add(run *sim.Replication) {
	one := t.reader.ended(run, true)
	t.lock.Lock()
	defer t.lock.Unlock()
	t.progress.Simulated += run.Span
	if t.sum == nil {
		t.sum = one
		for i := range one.Receivers {
			for k := range one.Receivers[i].Signals {
				one.Receivers[i].Signals[k].HasUpdate = false // no instant of several runs
			}
		}
		return
	}
	t.sum.Merge(one)
}

// Report notes how many replications of at most how many have ended.
func (t *Tally) Report(done, atMost int) {
	t.lock.Lock()
	defer t.lock.Unlock()
	t.progress.Done, t.progress.AtMost = done, atMost
}

// Source returns a copy of the sums. It is a Source.
func (t *Tally) Source() []*Snapshot {
	t.lock.Lock()
	defer t.lock.Unlock()
	out, progress := &Snapshot{}, t.progress
	if t.sum != nil {
		out = t.sum.clone()
	}
	out.Design, out.Progress = t.design, &progress
	return []*Snapshot{out}
}

// clone returns a copy that shares nothing with s.
func (s *Snapshot) clone() *Snapshot {
	c := *s
	b, a := *s.Bridge, *s.Air
	b.Stages = slices.Clone(b.Stages)
	c.Bridge, c.Air, c.Receivers = &b, &a, slices.Clone(s.Receivers)
	for i := range c.Receivers {
		r := &c.Receivers[i]
		r.Signals = slices.Clone(r.Signals)
		for k := range r.Signals {
			one := &r.Signals[k]
			one.Within = slices.Clone(one.Within)
			one.Latency.Within = slices.Clone(one.Latency.Within)
			one.Latency.Native = maps.Clone(one.Latency.Native)
		}
	}
	return &c
}

// word writes the name of a stage as the ledgers write theirs.
func word(name string) string { return strings.ReplaceAll(name, " ", "_") }
