// Package metrics gives figures to a metrics server: live at a small HTTP door
// ([Serve]), as a history of a simulated run ([History]), and with a dashboard and
// rules that fit both. It alone knows the metrics library.
//
// The age of a value is a sawtooth; looking at it every few seconds says little,
// since the looks beat with the signal's own period. So no age is exported as a
// gauge. Per signal and receiver there are counters of the seconds observed, the
// seconds over the limit and the seconds unknown, all brought up to date at the
// look itself, and a histogram of the age weighted by time. A share of time is the
// ratio of two counters; sums over receivers, replications or servers stay exact.
package metrics

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// Source tells what has been measured up to the moment of the call, one snapshot
// for each design, with different names. It works the present into the figures, so
// that a signal that died gains stale seconds at every call, and returns values
// that nobody changes any more: what it locks is free again when it returns. It may
// be called from several goroutines.
type Source func() []*Snapshot

// Snapshot is what has been measured up to a moment. Parts that are nil are not
// exported.
type Snapshot struct {
	Design    string        // the name under which its figures are told from others
	At        time.Duration // since the beginning
	Start     time.Time     // the beginning on the wall clock; zero = when the server was started
	Progress  *Progress
	Search    *Search
	Bridge    *Bridge
	Air       *Air
	Receivers []Receiver
	Sent      *Sent
	Heard     *Heard
}

// Progress is how far a study is.
type Progress struct {
	Done, AtMost int // replications
	Simulated    time.Duration
}

// Bridge is what the bridge has seen and done.
type Bridge struct {
	Frames     uint64 // received on the bus
	FrameFates [fate.Frames]uint64
	BusBusy    time.Duration
	Observed   time.Duration // for how long
	Stages     []bridge.StageUse
}

// Air is what was on the medium.
type Air struct {
	From  time.Duration // since when, for a history
	Limit float64       // largest share of the time that the bridge may be on the air, 0 = none
	sim.Air
}

// Receiver is what one display has measured.
type Receiver struct {
	Name        string
	From        time.Duration // begin of its window, for a history
	RecordFates [fate.Records]uint64
	Foreign     [fate.Foreigns]uint64
	Signals     []Signal
}

// Signal is what one shown signal has measured.
type Signal struct {
	Name       string
	Limit      time.Duration // 0 = none
	Observed   time.Duration // with a known value
	Stale      time.Duration // of it, with an age over the limit
	Unknown    time.Duration // without a value
	Violations uint64
	Within     []time.Duration // time at an age of at most AgeBounds
	TwiceArea  age.Int128      // twice the integral of the age
	Latency    Latency
	Updated    time.Duration // when the value at the glass last changed, since the beginning
	HasUpdate  bool
}

// Latency is the distribution of the times from release to glass, per update.
type Latency struct {
	Count  uint64
	Sum    age.Int128 // nanoseconds
	Within []uint64   // at most AgeBounds
	// Native counts by bucket of the exponential schema, nil where nobody asked.
	Native map[int]int64
	Zero   uint64 // of them, 0
}

// AgeBounds are the upper bounds of the buckets of ages and latencies.
var AgeBounds = []time.Duration{
	10 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond,
	150 * time.Millisecond, 200 * time.Millisecond, 300 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second,
}

// Merge adds what another run has measured of the same receivers and signals. The
// instants of updates stay, since they have no sum.
func (s *Snapshot) Merge(o *Snapshot) {
	s.At += o.At
	if s.Bridge != nil && o.Bridge != nil {
		s.Bridge.add(o.Bridge)
	}
	if s.Air != nil && o.Air != nil {
		a, b := &s.Air.Air, &o.Air.Air
		a.Window += b.Window
		a.Own += b.Own
		a.Occupied += b.Occupied
		a.Others += b.Others
		a.Offered += b.Offered
		a.Broadcasts += b.Broadcasts
		a.Records += b.Records
	}
	for i := range s.Receivers {
		r, from := &s.Receivers[i], &o.Receivers[i]
		for k, n := range from.RecordFates {
			r.RecordFates[k] += n
		}
		for k, n := range from.Foreign {
			r.Foreign[k] += n
		}
		for k := range r.Signals {
			r.Signals[k].add(&from.Signals[k])
		}
	}
}

func (b *Bridge) add(o *Bridge) {
	b.Frames += o.Frames
	for k, n := range o.FrameFates {
		b.FrameFates[k] += n
	}
	b.BusBusy += o.BusBusy
	b.Observed += o.Observed
	for i := range b.Stages {
		b.Stages[i].Busy += o.Stages[i].Busy
		b.Stages[i].HighWater = max(b.Stages[i].HighWater, o.Stages[i].HighWater)
	}
}

func (s *Signal) add(o *Signal) {
	s.Observed += o.Observed
	s.Stale += o.Stale
	s.Unknown += o.Unknown
	s.Violations += o.Violations
	for i, d := range o.Within {
		s.Within[i] += d
	}
	s.TwiceArea = s.TwiceArea.Add(o.TwiceArea)
	s.Latency.Count += o.Latency.Count
	s.Latency.Sum = s.Latency.Sum.Add(o.Latency.Sum)
	s.Latency.Zero += o.Latency.Zero
	for i, n := range o.Latency.Within {
		s.Latency.Within[i] += n
	}
	for i, n := range o.Latency.Native {
		s.Latency.Native[i] += n
	}
}
