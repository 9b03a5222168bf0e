package metrics

import (
	"math"
	"time"

	"golang.org/x/time/rate"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
	"stalegauge/sim/live"
)

// Sent is what a sender on the wall clock has sent.
type Sent struct {
	*live.Sent
	Limit float64 // datagrams a second that are not exceeded at present, 0 = none
}

// Heard is what a listener on the wall clock has heard.
type Heard struct {
	*live.Heard
	Socket        string // address of the socket
	Asked, Buffer int    // bytes of its buffer; Buffer 0 = unknown
	Drops         uint64 // thrown away by the kernel
	DropsKnown    bool
}

// LiveRun is a sender, a listener, or both at work on the wall clock.
type LiveRun struct {
	Design   string
	Plan     *scenarios.Plan // prepared; nil = there are no displays
	Watch    *live.Watch     // nil = nothing is sent
	Pace     *rate.Limiter   // of the sender, nil = none
	Listener *live.Listener  // nil = nobody listens
	Socket   *live.Socket    // of the listener

	reader *reader
}

// Source returns the source of a run. Each signal is copied by itself: the listener
// waits for some ten microseconds at a time, and nothing waits while the figures
// are sent.
func (r *LiveRun) Source() Source {
	if r.Plan != nil {
		r.reader = newReader(r.Plan)
	}
	return func() []*Snapshot {
		s := &Snapshot{Design: r.Design}
		if r.Watch != nil {
			if sent := r.Watch.Look(); sent != nil {
				r.sent(s, sent)
			}
		}
		if r.Listener != nil {
			r.heard(s)
		}
		return []*Snapshot{s}
	}
}

// sent reads the sender. Its bridges count as replications of one bridge; on the air
// they are others.
func (r *LiveRun) sent(s *Snapshot, sent *live.Sent) {
	s.Sent = &Sent{Sent: sent}
	if r.Pace != nil {
		s.Sent.Limit = float64(r.Pace.Limit())
	}
	s.Air = &Air{Limit: r.Plan.Bridge.Limit.AirShare, Air: sim.Air{Window: sent.Span}}
	for i := range sent.Bridges {
		one := &sent.Bridges[i]
		b := &Bridge{Frames: one.Frames, FrameFates: one.Fates, BusBusy: one.BusBusy, Observed: sent.Span, Stages: one.Stages}
		if !sent.Ended {
			b.FrameFates[fate.FrameInsideAtEnd] = 0
		}
		if i > 0 {
			s.Bridge.add(b)
			s.Air.Others += one.Airtime
			continue
		}
		s.Bridge = b
		s.Air.Own, s.Air.Occupied = one.Airtime, one.Airtime
		s.Air.Broadcasts, s.Air.Records = one.Broadcasts, one.Records
	}
}

// heard reads the listener.
func (r *LiveRun) heard(s *Snapshot) {
	h := r.Listener.Look(func(i int, _ time.Duration, seen *sim.ReceiverSnapshot) {
		s.Receivers = append(s.Receivers, r.reader.receiver(i, seen.RecordFates, seen.Foreign))
	}, func(i, k int, now time.Duration, seen sim.SignalSnapshot) {
		s.Receivers[i].Signals = append(s.Receivers[i].Signals, r.reader.signal(i, k, seen.Glass, seen.Memory, now, true))
	})
	s.Start = h.Start
	s.Heard = &Heard{Heard: &h}
	if r.Socket != nil {
		s.Heard.Socket, s.Heard.Asked, s.Heard.Buffer = r.Socket.LocalAddr().String(), r.Socket.Asked, r.Socket.Buffer
		s.Heard.Drops, s.Heard.DropsKnown = r.Socket.Drops()
	}
}

// LateBounds are the upper bounds of the buckets of lateness.
var LateBounds = []time.Duration{
	50 * time.Microsecond, 100 * time.Microsecond, 200 * time.Microsecond, 500 * time.Microsecond,
	time.Millisecond, 2 * time.Millisecond, live.BusyLateness, 10 * time.Millisecond,
	20 * time.Millisecond, 50 * time.Millisecond, 200 * time.Millisecond, time.Second,
}

var (
	perTarget = []string{"target"}
	perSocket = []string{"socket"}

	targetDatagrams = &family{prefix + "datagrams_sent_total", counter, "Datagrams of the sender by what became of them at the target: written, lost by the software weather, or failed.", []string{"target", "fate"}}
	targetRefused   = &family{prefix + "datagrams_refused_total", counter, "Datagrams, of those written, of which the target's host said that nobody listens there.", perTarget}
	targetBytes     = &family{prefix + "sent_bytes_total", counter, "Bytes of the datagrams written.", perTarget}
	sendLateness    = &family{prefix + "send_lateness_seconds", lateness, "Time from the instant at which a datagram is due to when it has been written.", nil}
	sendLimit       = &family{prefix + "datagrams_per_second_limit", gauge, "Datagrams a second that the sender does not exceed; under a ramp the rate that is tried.", nil}
	datagramsHeld   = &family{prefix + "datagrams_held_total", counter, "Datagrams that waited for the limit of the rate.", nil}

	received           = &family{prefix + "datagrams_received_total", counter, "Datagrams that arrived, each once: of the own set, of other sets, of another sender of the own set, or malformed, by what is wrong.", []string{"fate"}}
	receivedBytes      = &family{prefix + "received_bytes_total", counter, "Bytes of the datagrams that arrived.", nil}
	broadcastsExpected = &family{prefix + "broadcasts_expected_total", counter, "Broadcasts of the own set by its sequence numbers, from the first to the newest heard. Those beyond broadcasts_heard_total are missing; the late ones come yet.", nil}
	broadcastsHeard    = &family{prefix + "broadcasts_heard_total", counter, "Different broadcasts of the own set that arrived.", nil}
	duplicates         = &family{prefix + "broadcasts_duplicate_total", counter, "Broadcasts that arrived again.", nil}
	reordered          = &family{prefix + "broadcasts_reordered_total", counter, "Broadcasts that arrived after a newer one.", nil}
	gaps               = &family{prefix + "sequence_gaps", gauge, "Runs of missing sequence numbers, as known now: one that comes late closes its gap.", nil}
	longestGap         = &family{prefix + "sequence_gap_longest", gauge, "Most sequence numbers missing in a row.", nil}
	lastDatagram       = &family{prefix + "last_datagram_timestamp_seconds", gauge, "When the last datagram of the own set arrived.", nil}
	arrivalLateness    = &family{prefix + "arrival_lateness_seconds", lateness, "Time from the end of the air time to the arrival; of a sender with another clock, above the shortest.", nil}
	senderRestarts     = &family{prefix + "sender_restarts_total", counter, "Times that the sender began anew.", nil}
	sharedClock        = &family{prefix + "sender_clock_shared", gauge, "1 = the sender has this host's clock; 0 = it does not, and every age is at least what is told.", nil}
	clockSteps         = &family{prefix + "clock_steps_total", counter, "Steps of the wall clock, or of the sender's as the listener sees it.", []string{"side"}}
	kernelDrops        = &family{prefix + "kernel_drops_total", counter, "Datagrams that the kernel threw away since the listener's buffer was full.", perSocket}
	bufferAsked        = &family{prefix + "socket_buffer_asked_bytes", gauge, "Buffer that was asked for.", perSocket}
	bufferGot          = &family{prefix + "socket_buffer_bytes", gauge, "Buffer that the kernel gave.", perSocket}
)

func late(p *age.Points) point {
	return point{count: p.Count(), sum: p.Sum().Float64() / 1e9, within: p.Within(LateBounds)}
}

func (s *Sent) walk(emit emitter) {
	one := func(f *family, p point, labels ...string) { emit(f, 0, p, labels...) }
	for _, o := range s.Outputs {
		one(targetDatagrams, number(float64(o.Sent)), o.Name, "written")
		one(targetDatagrams, number(float64(o.Faded)), o.Name, fate.RecordFaded.String())
		one(targetDatagrams, number(float64(o.Failed)), o.Name, "failed")
		one(targetRefused, number(float64(o.Refused)), o.Name)
		one(targetBytes, number(float64(o.Bytes)), o.Name)
		buffers(one, "to "+o.Name, o.Asked, o.Buffer)
	}
	one(sendLateness, late(&s.Lateness))
	if s.Limit > 0 && !math.IsInf(s.Limit, 1) {
		one(sendLimit, number(s.Limit))
	}
	one(datagramsHeld, number(float64(s.Held)))
	one(clockSteps, number(float64(s.Steps)), "sender")
}

// buffers tells of the buffer of a socket, where there is one and the host tells.
func buffers(one func(*family, point, ...string), socket string, asked, got int) {
	if asked > 0 {
		one(bufferAsked, number(float64(asked)), socket)
	}
	if got > 0 {
		one(bufferGot, number(float64(got)), socket)
	}
}

func (h *Heard) walk(emit emitter) {
	one := func(f *family, p point, labels ...string) { emit(f, 0, p, labels...) }
	total := func(f *family, n uint64, labels ...string) { one(f, number(float64(n)), labels...) }
	c := &h.Counts
	total(received, c.Own, "own_set")
	total(received, c.Foreign, "foreign_set")
	total(received, c.OtherSender, "other_sender")
	for k, n := range c.Malformed {
		total(received, n, bridge.Fault(k).String())
	}
	total(receivedBytes, c.Bytes)
	total(broadcastsExpected, c.Heard+c.Missing)
	total(broadcastsHeard, c.Heard)
	total(duplicates, c.Duplicates)
	total(reordered, c.Reordered)
	total(gaps, c.RunCount())
	total(longestGap, c.Longest)
	total(senderRestarts, c.Restarts)
	total(clockSteps, c.Steps, "listener")
	one(arrivalLateness, late(&h.Lateness))
	if h.Began {
		shared := 0.0
		if c.SameClock {
			shared = 1
		}
		one(sharedClock, number(shared))
		one(lastDatagram, number(float64(h.Start.Add(h.Last).UnixNano())/1e9))
	}
	if h.DropsKnown {
		total(kernelDrops, h.Drops, h.Socket)
	}
	if h.Socket != "" {
		buffers(one, h.Socket, h.Asked, h.Buffer)
	}
}
