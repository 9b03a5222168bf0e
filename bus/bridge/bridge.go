package bridge

import (
	"fmt"
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// Bridge is the device under design. It is passive: time is an argument and
// never goes back from one call to the next. It is not safe for use by several
// goroutines. In steady state it allocates nothing.
type Bridge struct {
	cfg   Config
	codec *Codec
	clock time.Duration // latest instant told
	step  time.Duration // instant up to which it has worked

	ledger     ledger
	list       forwardList
	controller controller
	pickup     pickup
	processor  processor
	arrivals   ring[arrival] // listed values on their way to the forward list
	streams    []stream      // in order of class
	bySlot     []int32       // index into streams
	limit      limiter
	fullCost   cost // of a broadcast of full payload
	queue      sendQueue
	copies     []again
	firstCopy  time.Duration // when the first of them is due
	oneClass   bool          // there is one class only
	flying     []flight      // in order of hand-over
	overdue    int           // further ones that the medium may have, though they timed out
	nextSlot   time.Duration
	mediumFrom time.Duration // the medium takes nothing before
	last       *Broadcast    // with KeepLast: what left last
	sequence   uint16
	counter    uint32
	turns      uint64
	idle       []*Broadcast

	frames uint64
	// passedOver are frames that were not offered; they count in numbers only.
	passedOver uint64
	airFrom    time.Duration // since when something has been in flight
	airBusy    time.Duration
	due        time.Duration
	stale      bool // due has to be worked out again
	direct     bool // unlisted frames may pass by
	closed     bool
}

// arrival is a listed value that reaches the forward list at an instant.
type arrival struct {
	at    time.Duration
	value int32
}

// StageUse is how one stage of the bridge was used.
type StageUse struct {
	Name      string
	Busy      int64 // nanoseconds its server worked; meaningful when HasServer
	HasServer bool
	HighWater int    // most that waited at once
	Capacity  int    // 0 = unlimited
	Unit      string // "frames", "bytes", "broadcasts"
}

// New returns a bridge at instant 0 with everything empty and full buckets. The
// error holds every mistake of the configuration, each naming its field. The
// slices of the configuration are copied or only read.
func New(cfg Config) (*Bridge, error) {
	b := &Bridge{cfg: cfg, stale: true}
	if err := b.check(); err != nil {
		return nil, fmt.Errorf("bridge: %w", err)
	}
	b.list = newForwardList(cfg.Forward)
	b.cfg.Forward, b.cfg.Policies = b.list.entries, slices.Clone(cfg.Policies)
	b.queue.rule = cfg.SendQueue
	b.queue.ahead = b.limit
	b.controller = newController(cfg.Controller, func(value int32) { b.loseFrame(value, fate.FrameOverrun) })
	b.pickup.rule, b.pickup.look = cfg.Pickup, -1
	b.pickup.stalls, b.processor.stalls = newStalls(&cfg)
	b.direct = cfg.Controller.Overrun == DropNew && cfg.Pickup.Tick == 0
	b.processor.cost, b.processor.depth = cfg.Pickup.Cost, cfg.QueueDepth
	b.addStreams()
	if cfg.Settled != nil {
		b.ledger.lost = func(v *value) { b.tellFate(&v.record, v.fate) }
	}
	return b, nil
}

// Codec returns the reader and writer of this bridge's broadcasts.
func (b *Bridge) Codec() *Codec { return b.codec }

// tell checks an instant.
func (b *Bridge) tell(now time.Duration, call string) {
	if now < b.clock {
		panic(fmt.Sprintf("bridge: %s at %v after a call at %v: time goes back", call, now, b.clock))
	}
	if b.closed {
		panic("bridge: " + call + " after Close")
	}
	b.clock = now
}

// Offer tells the bridge that a data or remote frame was received at now. The
// frame is only read during the call.
func (b *Bridge) Offer(now time.Duration, f *bus.Frame) {
	if now < b.clock || b.closed || f.Kind == bus.Error {
		b.refuse(now, f)
	}
	b.clock = now
	b.frames++
	if m := b.cfg.Controller.Masks; m != nil && !m.Accepts(f) {
		b.turnAway(f)
		return
	}
	value := unlisted
	if f.Kind == bus.Data {
		if slot, ok := b.list.table.Lookup(f.ID); ok {
			value = b.admit(slot, f)
			b.stale = true
		}
	}
	size := entrySize(f)
	if value == unlisted && b.direct && b.passBy(now, size) {
		return
	}
	b.receive(now, held{value: value, size: size})
}

// passBy deals with an unlisted frame that meets an idle bridge: nothing can
// happen to it any more, so all that is left to do is to keep the controller, the
// processor and the books as if it had gone through them. Most frames of a bus
// go this way. It returns false if the frame has to go through the stages.
func (b *Bridge) passBy(now time.Duration, size int32) bool {
	k, p := &b.controller, &b.processor
	pick := now + b.pickup.rule.Latency
	done := pick + p.cost
	if k.line.n > 0 || p.line.n > 0 || k.early.pick > now || p.free > pick || done > b.pickup.stalls.span.From || done > p.stalls.span.From || k.lacks(size) {
		return false
	}
	k.early = held{pick: pick, value: picked, size: size}
	switch {
	case pick == now: // it does not wait
	case k.bytes > 0:
		k.note(int(size))
	default:
		k.note(1)
	}
	p.work = job{pick, done, unlisted}
	p.free = done
	p.busy += p.cost
	b.ledger.counts[fate.FrameNotListed]++
	return true
}

// receive puts a frame into the controller's buffer.
func (b *Bridge) receive(now time.Duration, h held) {
	k := &b.controller
	if k.early.pick > now {
		k.store(k.early)
		k.early.pick = 0
	}
	b.pickUp(now)
	h.pick = b.pickup.instant(now)
	if h.pick == now && k.line.n == 0 {
		b.accept(h)
		return
	}
	if !k.store(h) {
		b.loseFrame(h.value, fate.FrameOverrun)
	}
}

// refuse explains a call of Offer that breaks the rules.
func (b *Bridge) refuse(now time.Duration, f *bus.Frame) {
	if f.Kind == bus.Error {
		panic("bridge: Offer of an error frame")
	}
	b.tell(now, "Offer")
}

// loseFrame counts a frame that never reached the forward list.
func (b *Bridge) loseFrame(value int32, f fate.Frame) {
	b.stale = true
	if value == unlisted {
		b.ledger.counts[f]++
		return
	}
	b.ledger.lose(value, f)
}

// pickUp performs the pick-ups up to now.
func (b *Bridge) pickUp(now time.Duration) {
	for b.controller.line.n > 0 && b.controller.line.front().pick <= now {
		b.accept(b.controller.pop())
	}
}

// accept performs one pick-up.
func (b *Bridge) accept(h held) {
	if h.value == picked {
		return
	}
	if h.value != unlisted {
		if v := &b.ledger.values[h.value]; !v.bad {
			b.pass(fate.StagePickup, &v.record, h.pick)
		}
	}
	done, ok := b.processor.accept(h.pick, h.value)
	switch {
	case !ok:
		b.loseFrame(h.value, fate.FrameBusQueueFull)
	case h.value == unlisted:
		b.ledger.counts[fate.FrameNotListed]++
	default:
		b.arrivals.push(arrival{done, h.value})
		b.stale = true
	}
}

// Due returns the next instant at which the bridge wants to be called with Take,
// and false if it waits for nothing but Offer and Sent. Take may then do an
// internal step only. The cost is that of reading a field unless something has
// happened since the last call.
func (b *Bridge) Due() (at time.Duration, ok bool) {
	if b.stale {
		b.stale = false
		at, _ := b.nextStep()
		b.due = min(at, b.controller.listed, b.handOverDue(b.step))
	}
	if b.due == never || b.closed {
		return 0, false
	}
	return max(b.due, b.clock), true
}

// The steps that happen at instants of their own, in their order at equal
// instants.
const (
	stepTimeout = iota
	stepArrival
	stepPolicy
	stepLimit
)

// nextStep returns the next of them, at never if there is none.
func (b *Bridge) nextStep() (at time.Duration, step int) {
	at = never
	if len(b.flying) > 0 {
		at = b.flying[0].deadline
	}
	if b.arrivals.len() > 0 && b.arrivals.front().at < at {
		at, step = b.arrivals.front().at, stepArrival
	}
	for i := range b.streams {
		if t := b.streams[i].policy.due(); t < at {
			at, step = t, stepPolicy
		}
	}
	if t := b.passDue(); t < at {
		at, step = t, stepLimit
	}
	return at, step
}

// advance performs every step up to now, in order of time.
func (b *Bridge) advance(now time.Duration) {
	b.pickUp(now)
	for {
		at, step := b.nextStep()
		if at > now || at == never {
			break
		}
		b.step = max(b.step, at)
		switch step {
		case stepTimeout:
			b.timeOut(at)
		case stepArrival:
			b.forward(at, b.arrivals.pop().value)
		case stepPolicy:
			b.firePolicy(at)
		case stepLimit:
			b.passLimit(at)
		}
	}
	b.step = max(b.step, now)
	b.stale = true
}

// Take performs everything up to now, in order of time, and hands over a
// broadcast if one may leave at now. All frames received at or before now must
// have been offered. The caller is one holder of the broadcast: it tells what
// became of it by Sent and then calls Release.
func (b *Bridge) Take(now time.Duration) (*Broadcast, bool) {
	b.tell(now, "Take")
	b.advance(now)
	c := b.handOver(now)
	return c, c != nil
}

// Sent tells the bridge that the medium has finished with a broadcast that Take
// handed over: ok if it was on the air, otherwise the access failed. After
// SendTimeout it comes too late to be waited for; then it only says whether the
// values went out. It must come before the caller's Release, and is ignored
// after Close.
func (b *Bridge) Sent(now time.Duration, c *Broadcast, ok bool) {
	if c.home != b {
		panic("bridge: Sent of a broadcast of another bridge")
	}
	if b.closed {
		return
	}
	b.tell(now, "Sent")
	b.advance(now - 1)
	b.confirm(now, c, ok)
}

// Close performs everything up to now and ends the run: what is inside stays
// there.
func (b *Bridge) Close(now time.Duration) {
	b.tell(now, "Close")
	b.advance(now)
	if len(b.flying) > 0 {
		b.airBusy += now - b.airFrom
	}
	if b.cfg.Settled != nil {
		b.settleRest()
	}
	b.closed = true
}

// PassOver counts frames of the bus that the bridge could not hear, so that the
// numbers of its records go on as those of the bus.
func (b *Bridge) PassOver(frames uint64) { b.passedOver += frames }

// Frames returns how many frames have been offered.
func (b *Bridge) Frames() uint64 { return b.frames }

// Fates returns what has become of the frames offered; what is inside the bridge
// counts as such. They sum to Frames.
func (b *Bridge) Fates() [fate.Frames]uint64 {
	counts := b.ledger.balance()
	inside := b.processor.inside(b.clock)
	counts[fate.FrameNotListed] -= inside
	for i := range b.controller.line.len() {
		if b.controller.line.at(i).value == unlisted {
			inside++
		}
	}
	counts[fate.FrameInsideAtEnd] += inside
	return counts
}

// Stages returns how the stages were used until the last call. The server of the
// send queue is the medium: it works from hand-over to confirmation.
func (b *Bridge) Stages() []StageUse {
	air := b.airBusy
	if len(b.flying) > 0 && !b.closed {
		air += b.clock - b.airFrom
	}
	return []StageUse{
		b.controller.use(),
		{Name: "processor", HasServer: true, Busy: int64(b.processor.worked(b.clock)), HighWater: min(1, int(b.frames)), Capacity: 1, Unit: "frames"},
		{Name: "bus queue", HighWater: b.processor.highWater, Capacity: b.cfg.QueueDepth, Unit: "frames"},
		{Name: "send queue", HasServer: true, Busy: int64(air), HighWater: b.queue.highWater, Capacity: b.cfg.SendQueue.Depth, Unit: "broadcasts"},
	}
}
