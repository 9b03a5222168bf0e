package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// policy decides which values go into which broadcast, and when. It is told the
// values in order of time, before its timer at equal instants.
type policy interface {
	// offer hands it a value and the reference to it.
	offer(now time.Duration, value int32)
	// due returns the instant of its timer, or never.
	due() time.Duration
	// fire tells it that the timer has come.
	fire(now time.Duration)

	// ready reports whether it would make a broadcast if one could leave.
	ready() bool
	// compose makes that broadcast, or returns nil if there is nothing to send.
	compose(now time.Duration) *Broadcast
	// giveUp ends what it is ready for, for this cause.
	giveUp(now time.Duration, f fate.Frame)
}

// newPolicy makes the policy of a stream.
func newPolicy(b *Bridge, index int32) policy {
	s := &b.streams[index]
	own := base{bridge: b, stream: index}
	switch p := s.rule; p.Kind {
	case Fill:
		return &fill{base: own, hold: p.Hold, most: p.MaxRecords, timer: never, smallest: b.codec.smallest(s.slots)}
	case Table:
		return newTable(own, p)
	case Change:
		return newChange(own, p)
	case Slack:
		return newSlack(own, p)
	default:
		return &each{base: own}
	}
}

// base is what every policy has.
type base struct {
	bridge *Bridge
	stream int32 // index of its stream
}

// slots returns the entries of the forward list that are the policy's.
func (p *base) slots() []int { return p.bridge.streams[p.stream].slots }

// pushing is the part of a policy that makes its broadcasts by itself and pushes
// them into the send queue.
type pushing struct{}

func (pushing) ready() bool                      { return false }
func (pushing) compose(time.Duration) *Broadcast { return nil }
func (pushing) giveUp(time.Duration, fate.Frame) {}

// each sends every value at once in its own broadcast.
type each struct {
	base
	pushing
}

func (p *each) offer(now time.Duration, value int32) {
	b := p.bridge
	b.want(now, value)
	c := b.newBroadcast(p.stream)
	b.include(c, value)
	b.push(now, c)
}

func (p *each) due() time.Duration { return never }
func (p *each) fire(time.Duration) {}

// fill collects values until the payload is full, which is when not even the
// smallest record of the forward list has room, or the next one has not, or it
// holds the most records allowed, or the oldest has been held long enough.
type fill struct {
	base
	pushing
	hold     time.Duration
	most     int // records; 0 = as many as fit
	smallest int // bytes of a record
	open     *Broadcast
	timer    time.Duration
}

func (p *fill) offer(now time.Duration, value int32) {
	b := p.bridge
	b.want(now, value)
	r := &b.ledger.values[value].record
	size := b.codec.RecordSize(r.Slot, int(r.Length))
	if p.open != nil && p.open.Size+size > b.cfg.MaxPayload {
		p.fire(now)
	}
	if p.open == nil {
		p.open = b.newBroadcast(p.stream)
		p.timer = now + p.hold
	}
	b.include(p.open, value)
	n := len(p.open.Records)
	if n == p.most || n == maxRecords || p.open.Size+p.smallest > b.cfg.MaxPayload {
		p.fire(now)
	}
}

func (p *fill) due() time.Duration { return p.timer }

func (p *fill) fire(now time.Duration) {
	c := p.open
	p.open, p.timer = nil, never
	p.bridge.push(now, c)
}
