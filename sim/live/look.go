package live

import (
	"slices"
	"sync/atomic"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// Watch lets others look at a sender under way. The zero value is ready for use.
type Watch struct{ sender atomic.Pointer[sender] }

// Look returns what has been sent up to now, and nil before the sender has begun.
// It is a copy: the bridges stand at the instant Span, to which they have been
// worked out, and Elapsed is that of the clock.
func (w *Watch) Look() *Sent {
	s := w.sender.Load()
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.result
	if !r.Ended {
		r.Elapsed, r.Bridges = time.Since(s.start), s.bridges()
	}
	r.Lateness = age.Points{}
	r.Lateness.Merge(&s.result.Lateness)
	r.Outputs = nil
	for _, o := range s.result.Outputs {
		c := *o
		c.Errors = nil
		r.Outputs = append(r.Outputs, &c)
	}
	return &r
}

// bridges returns what the bridges have done.
func (s *sender) bridges() (all []BridgeSent) {
	for _, t := range s.stations {
		all = append(all, BridgeSent{
			Set: t.set, Frames: t.frames, Fates: t.bridge.Fates(), Broadcasts: t.broadcasts, Records: t.records,
			Airtime: t.airtime, BusBusy: t.busy, Stages: slices.Clone(t.bridge.Stages()),
		})
	}
	return all
}

// Heard is what a listener has counted up to now.
type Heard struct {
	Began    bool
	Start    time.Time     // instant 0
	Elapsed  time.Duration // since then
	Last     time.Duration // instant of the last datagram of the own set
	Counts   Counts
	Lateness age.Points
}

// Look returns what has been counted, and shows what the displays have measured,
// one after the other, brought up to the clock: a signal of which nothing comes any
// more grows older at every look. Their instants never go back from one look to the
// next. see is told of every display first, and then of each of its signals, and
// must not keep what it is shown; the listener waits for one call of it at a time.
// There are no displays before the first datagram, or when nobody was to look.
func (l *Listener) Look(see func(receiver int, at time.Duration, r *sim.ReceiverSnapshot), signal func(receiver, signal int, at time.Duration, s sim.SignalSnapshot)) Heard {
	h := l.heard()
	if !h.Began || l.watched == nil {
		return h
	}
	for i := range l.config.Plan.Receivers {
		var r sim.ReceiverSnapshot
		l.at(func(now time.Duration) {
			r = l.watched.Look(i)
			see(i, now, &r)
		})
		for k := range r.Signals {
			l.at(func(now time.Duration) { signal(i, k, now, r.Signals[k]) })
		}
	}
	return h
}

// hear lets the displays hear, and those that are looked at: these may have been
// brought further by a look just now.
func (l *Listener) hear(at time.Duration, b *bridge.Broadcast, foreign bool) {
	if l.watched != nil {
		b.Retain(1)
		l.watchedAt = max(at, l.watchedAt)
		l.watched.Hear(l.watchedAt, b, foreign)
	}
	l.probe.Hear(at, b, foreign)
}

// at brings the displays that are looked at up to now and calls f with that instant.
func (l *Listener) at(f func(now time.Duration)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.watchedAt = max(l.watchedAt, time.Since(l.start))
	l.watched.Advance(l.watchedAt)
	f(l.watchedAt)
}

func (l *Listener) heard() Heard {
	l.mu.Lock()
	defer l.mu.Unlock()
	h := Heard{Began: l.began, Counts: l.totals()}
	if l.began {
		h.Start, h.Elapsed, h.Last = l.start, time.Since(l.start), l.last
		h.Lateness.Merge(&l.late)
	}
	return h
}
