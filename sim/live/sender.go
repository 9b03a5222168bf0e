package live

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// SenderConfig describes one live run.
type SenderConfig struct {
	Plan    *scenarios.Plan // prepared, see [Prepare]
	Span    time.Duration   // of the bridges' time
	Outputs []*Output
	// Speed is how many seconds of the bridges' time pass in one second; 0 = the
	// bridges wait for nothing but Pace. With another speed than 1 the send times
	// are of the wall clock and the ages shrink with the time: what is sent is a bus
	// that runs faster.
	Speed float64
	// Pace bounds the datagrams a second; nil = they are not bounded. With a speed
	// of 0 it sets the rate.
	Pace *rate.Limiter
	// Natural is the datagrams a second at speed 1, by which ages shrink at a speed
	// of 0 with a rate; 0 = they do not.
	Natural float64
	// Fine waits for each instant more closely than the runtime's timers do. It is
	// not for a fake clock, which its last step does not know of.
	Fine  bool
	Start time.Time // instant 0; the zero time = when Run is called
	Epoch time.Time // at which the send time is 0; the zero time = the Unix epoch
	// Wall reads the wall clock; nil = time.Now. A step of more than 50 ms against
	// the monotonic clock moves the send times.
	Wall func() time.Time
	// Count, when it is not nil, is the datagrams that have left, while the run is
	// under way.
	Count *atomic.Uint64
	// Watch lets others look at the run while it is under way; nil = nobody looks.
	Watch *Watch
	// Progress is told from time to time what has been sent; nil = nobody asks.
	Progress func(done time.Duration, datagrams uint64)
}

// Sent is what a live run sent.
type Sent struct {
	Span      time.Duration // of the bridges' time
	Elapsed   time.Duration // of the clock
	Asked     float64       // datagrams a second
	Stopped   bool          // before the end of the span
	Ended     bool          // false in a look at a run under way
	Bridges   []BridgeSent
	Outputs   []*Output
	Lateness  age.Points // from the instant at which a datagram is due to when it has been written
	Held      uint64     // datagrams that waited for the rate limit
	Steps     uint64     // of the wall clock
	Datagrams uint64     // that left the bridges; each goes to every output
}

// BridgeSent is what one bridge sent.
type BridgeSent struct {
	Set                 uint16
	Frames              uint64
	Fates               [fate.Frames]uint64 // they sum to Frames
	Broadcasts, Records uint64
	Airtime             time.Duration
	BusBusy             time.Duration // 0 = the source of the traffic does not tell
	Stages              []bridge.StageUse
}

// stepLimit is by how much the wall clock may leave the monotonic one before that
// is a step.
const stepLimit = 50 * time.Millisecond

// sender is a run under way.
type sender struct {
	SenderConfig
	// mu is held but while the sender waits or writes. It guards everything that
	// Watch shows: the stations, the result and the counts of the outputs.
	mu       sync.Mutex
	stations []*station
	channel  radio.Channel
	events   []radio.Event
	start    time.Time
	zero     time.Duration // what the send time says at instant 0 of the clock
	timer    *time.Timer
	result   Sent
	datagram []byte
	scaled   bridge.Broadcast
	told     time.Time
}

// Send sends everything up to the end of the span, or until ctx ends, and returns
// what was sent. The error is that of a source of traffic or of an output to which
// nothing can be written.
func Send(ctx context.Context, c SenderConfig) (*Sent, error) {
	stations, err := newStations(c.Plan)
	if err != nil {
		return nil, err
	}
	s := &sender{SenderConfig: c, stations: stations, start: c.Start, timer: time.NewTimer(time.Hour)}
	defer s.timer.Stop()
	s.channel = c.Plan.Radio.Channel(radio.ChannelConfig{Stations: len(stations)})
	if s.Wall == nil {
		s.Wall = time.Now
	}
	if s.start.IsZero() {
		s.start = time.Now()
	}
	if s.Epoch.IsZero() {
		s.Epoch = time.Unix(0, 0)
	}
	s.stamp(s.Wall())
	s.result.Outputs = c.Outputs
	s.startWeather()
	if c.Watch != nil {
		c.Watch.sender.Store(s)
	}
	last, err := s.run(ctx)
	s.finish(last)
	if e := closeSources(stations); err == nil {
		err = e
	}
	result := s.result // apart from what others look at
	return &result, err
}

// startWeather gives every output its weather. That of the first is the path that
// the simulated displays follow.
func (s *sender) startWeather() {
	streams := scenarios.Streams{Seed: s.Plan.Seed}
	for i, o := range s.Outputs {
		weather := o.Weather
		if weather == nil {
			weather = s.Plan.Common
		}
		if weather != nil {
			o.fading = radio.NewFading(*weather, streams.Rand("weather of all", i), streams.Key("fading of all", i))
		}
	}
}

// stamp makes the send times those of the wall clock.
func (s *sender) stamp(wall time.Time) {
	s.zero = wall.Sub(s.Epoch) - time.Since(s.start)
	for _, t := range s.stations {
		t.codec = t.codec.Stamped(s.zero)
	}
}

// watchClock looks for a step of the wall clock.
func (s *sender) watchClock() {
	wall := s.Wall().Round(0)
	if d := wall.Sub(s.Epoch) - time.Since(s.start) - s.zero; d > stepLimit || d < -stepLimit {
		s.result.Steps++
		s.stamp(wall)
	}
}

// run performs everything up to the end and returns the last instant.
func (s *sender) run(ctx context.Context) (last time.Duration, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := 0; ; n++ {
		t := s.first()
		at := t.at
		air, ok := s.channel.Next()
		onAir := ok && air < at
		if onAir {
			at = air
		}
		if at > s.Span {
			break
		}
		if n&255 == 0 {
			if ctx.Err() != nil {
				s.result.Stopped = true
				return last, nil
			}
			s.mu.Unlock() // a bus of which nothing is sent for long would keep it
			s.mu.Lock()
		}
		last, s.result.Span = at, at
		switch {
		case onAir:
			if err := s.air(ctx, at); err != nil || s.result.Stopped {
				return last, err
			}
		case t.take:
			t.work(at, s.channel)
		default:
			t.offer()
		}
	}
	if s.Speed > 0 && !s.sleep(ctx, s.start.Add(s.scale(s.Span))) {
		s.result.Stopped = true
		return last, nil
	}
	return s.Span, nil
}

// first returns the station whose work comes first: by instant, frames before
// bridges, then by index.
func (s *sender) first() *station {
	best := s.stations[0]
	for _, t := range s.stations[1:] {
		if t.at < best.at || t.at == best.at && !t.take && best.take {
			best = t
		}
	}
	return best
}

// air performs what happens on the medium at an instant.
func (s *sender) air(ctx context.Context, at time.Duration) error {
	s.events = s.channel.Advance(at, s.events[:0])
	for _, e := range s.events {
		t := s.stations[e.Station]
		b := t.handed[0]
		if e.Kind == radio.Began {
			t.taken = false
			t.broadcasts++
			t.records += uint64(len(b.Records))
			airtime := s.Plan.Radio.Airtime(b.Size)
			t.airtime += airtime
			for _, o := range s.Outputs {
				o.hear(at, at+airtime)
			}
			if err := s.transmit(ctx, t, at, true); err != nil || s.result.Stopped {
				return err
			}
			continue
		}
		if err := s.transmit(ctx, t, at, false); err != nil || s.result.Stopped {
			return err
		}
		s.result.Datagrams++
		if s.Count != nil {
			s.Count.Add(1)
		}
		t.done(at, t.taken, s.channel)
	}
	return nil
}

// transmit writes the broadcast on air to the outputs that want it at its begin, or
// to those that want it at its end.
func (s *sender) transmit(ctx context.Context, t *station, at time.Duration, early bool) error {
	wanted := false
	for _, o := range s.Outputs {
		wanted = wanted || o.Early == early
	}
	if !wanted {
		return nil
	}
	due, ok := s.wait(ctx, at)
	if !ok {
		s.result.Stopped = true
		return nil
	}
	s.watchClock()
	s.datagram = t.codec.Encode(s.datagram[:0], s.onTheClock(t.handed[0]))
	for _, o := range s.Outputs {
		if o.Early == early {
			failed := o.Failed
			if err := o.send(s.datagram, &s.mu); err != nil {
				return err
			}
			t.taken = t.taken || o.Failed == failed
		}
	}
	now := time.Now()
	s.result.Lateness.Add(max(0, now.Sub(due)), 1)
	if s.Progress != nil && now.Sub(s.told) > 200*time.Millisecond {
		s.told = now
		s.Progress(at, s.result.Datagrams)
	}
	return nil
}

// onTheClock returns a broadcast with the times of the wall clock.
func (s *sender) onTheClock(b *bridge.Broadcast) *bridge.Broadcast {
	speed := s.Speed
	if speed == 1 {
		return b
	}
	sent := s.scale(b.SendTime)
	if speed == 0 {
		sent, speed = time.Since(s.start), 1
		if s.Natural > 0 && s.Pace != nil {
			speed = float64(s.Pace.Limit()) / s.Natural
		}
	}
	s.scaled = bridge.Broadcast{Sequence: b.Sequence, Counter: b.Counter, SendTime: sent, Records: append(s.scaled.Records[:0], b.Records...)}
	for i := range s.scaled.Records {
		r := &s.scaled.Records[i]
		r.ValidAt = sent - time.Duration(float64(b.SendTime-r.ValidAt)/speed)
	}
	return &s.scaled
}

// scale brings an instant of the bridges to the clock.
func (s *sender) scale(at time.Duration) time.Duration {
	if s.Speed == 1 || s.Speed == 0 {
		return at
	}
	return time.Duration(float64(at) / s.Speed)
}

// finish closes the books at the last instant.
func (s *sender) finish(last time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := &s.result
	r.Span, r.Elapsed = last, time.Since(s.start)
	for _, t := range s.stations {
		t.bridge.Close(last)
	}
	r.Bridges, r.Ended = s.bridges(), true
	switch {
	case s.Speed > 0 && last > 0:
		r.Asked = float64(r.Datagrams) / s.scale(last).Seconds()
	case s.Speed == 0 && s.Natural > 0 && s.Pace != nil:
		r.Asked = float64(s.Pace.Limit())
	}
}

// Achieved returns the datagrams a second that left.
func (s *Sent) Achieved() float64 {
	if s.Elapsed <= 0 {
		return 0
	}
	return float64(s.Datagrams) / s.Elapsed.Seconds()
}
