package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// sendQueue holds the broadcasts that wait for rate limit and medium, in order of
// class.
//
// The instant at which a broadcast is past the rate limit is the first at which
// the buckets could have paid for it and all before it in the queue. The limiter
// ahead finds it: it is charged at that instant, while the limiter of the bridge
// is charged at hand-over. As ahead pays as early as the limit allows, no
// broadcast is handed over before it has passed (induction over the queue: the
// level of ahead never lies below the level of the other less what has passed
// and waits). A broadcast that goes in before others of a higher class pays before
// them: what they have paid is given back until it is their turn again.
type sendQueue struct {
	rule      SendQueue
	line      ring[*Broadcast]
	passed    int // the first of the line are past the rate limit
	ahead     limiter
	highWater int
	served    uint64 // turn in which its head was handed over last
}

// push puts a broadcast with its values into the send queue.
func (b *Bridge) push(now time.Duration, c *Broadcast) {
	q := &b.queue
	c.cost = b.costOf(c.Size)
	for i := range c.Records {
		b.passHold(c.Records[i].value, now)
	}
	pays := !b.limit.on.any || q.passed == q.line.len() && q.ahead.ready(now, c.cost) == now
	if b.cfg.Limit.Drop && !pays {
		b.loseBroadcast(c, fate.FrameRateLimited)
		return
	}
	leaving := 0
	if q.line.len() > 0 && b.mayLeave(now) {
		leaving = 1
	}
	if q.line.len()-leaving >= q.rule.Depth && !b.makeRoom(now, c, leaving, pays) {
		return
	}
	b.insert(now, c)
	if b.mayLeave(now) {
		leaving = 1
	}
	q.highWater = max(q.highWater, q.line.len()-leaving)
	b.passLimit(now)
}

// insert puts a broadcast behind all that are of its class or a lower one.
func (b *Bridge) insert(now time.Duration, c *Broadcast) {
	q := &b.queue
	i := q.line.len()
	for i > 0 && (*q.line.at(i - 1)).class > c.class {
		i--
	}
	q.line.insert(i, c)
	if i >= q.passed {
		return
	}
	if b.cfg.Limit.Drop { // all that waits has passed, and c can pay
		q.ahead.charge(now, c.cost)
		q.passed++
		b.tellPast(now, c)
		return
	}
	for j := i + 1; j <= q.passed; j++ {
		q.ahead.refund(now, (*q.line.at(j)).cost)
	}
	q.passed = i
}

// popQueue takes out the head of the send queue, which can be paid for. It
// returns nil if all its values have grown too old.
func (b *Bridge) popQueue(now time.Duration) *Broadcast {
	q := &b.queue
	c := q.line.pop()
	q.passed--
	if b.expireRecords(now, c) {
		q.ahead.refund(now, c.cost)
		if len(c.Records) == 0 {
			b.finish(c)
			b.passLimit(now) // the next one may be paid for with what it leaves
			return nil
		}
		c.cost = b.costOf(c.Size)
		q.ahead.charge(now, c.cost)
	}
	b.turns++
	q.served = b.turns
	return c
}

// takeOut loses the broadcast that waits at index i because the queue is full.
func (b *Bridge) takeOut(now time.Duration, i int) {
	q := &b.queue
	old := q.line.remove(i)
	if i < q.passed {
		q.passed--
		q.ahead.refund(now, old.cost)
	}
	b.loseBroadcast(old, fate.FrameSendQueueFull)
}

// makeRoom applies the rule of the full queue among what is of the highest class,
// the new broadcast included. It returns false if c was dealt with.
func (b *Bridge) makeRoom(now time.Duration, c *Broadcast, leaving int, pays bool) bool {
	q := &b.queue
	last := q.line.len() - 1
	if q.rule.Full == FullReplaceSame && b.replaceSame(now, c, leaving) {
		return false
	}
	switch lowest := (*q.line.at(last)).class; {
	case lowest > c.class && q.rule.Full != FullDropOldest:
		b.takeOut(now, last)
		return true
	case lowest >= c.class && q.rule.Full == FullDropOldest:
		first := last
		for first > leaving && (*q.line.at(first - 1)).class == lowest {
			first--
		}
		b.takeOut(now, first)
		return true
	}
	if pays && b.limit.on.any {
		b.passAll(fate.StageRateLimit, c, now)
	}
	b.loseBroadcast(c, fate.FrameSendQueueFull)
	return false
}

// replaceSame puts c in the place of the youngest that carries the same
// identifiers and pages, if there is one.
func (b *Bridge) replaceSame(now time.Duration, c *Broadcast, leaving int) bool {
	q := &b.queue
	for i := q.line.len() - 1; i >= leaving; i-- {
		old := *q.line.at(i)
		if !sameKeys(old.Records, c.Records) {
			continue
		}
		*q.line.at(i) = c
		if i < q.passed {
			q.ahead.refund(now, old.cost)
			q.ahead.charge(now, c.cost)
			b.tellPast(now, c)
		}
		b.loseBroadcast(old, fate.FrameReplaced)
		return true
	}
	return false
}

// sameKeys reports whether two broadcasts carry the same identifiers and pages,
// each as often.
func sameKeys(x, y []Record) bool {
	if len(x) != len(y) {
		return false
	}
	count := func(in []Record, r *Record) (n int) {
		for i := range in {
			if in[i].Slot == r.Slot && in[i].Page == r.Page {
				n++
			}
		}
		return n
	}
	for i := range x {
		if count(x, &x[i]) != count(y, &x[i]) {
			return false
		}
	}
	return true
}

// passDue returns when the next broadcast passes the rate limit.
func (b *Bridge) passDue() time.Duration {
	q := &b.queue
	if q.passed == q.line.len() {
		return never
	}
	return q.ahead.ready(b.clock, (*q.line.at(q.passed)).cost)
}

// passLimit lets pass what the buckets can pay at now.
func (b *Bridge) passLimit(now time.Duration) {
	q := &b.queue
	for q.passed < q.line.len() {
		c := *q.line.at(q.passed)
		if q.ahead.ready(now, c.cost) > now {
			return
		}
		q.ahead.charge(now, c.cost)
		q.passed++
		b.tellPast(now, c)
	}
}

// tellPast tells once that a broadcast is past the rate limit.
func (b *Bridge) tellPast(now time.Duration, c *Broadcast) {
	if !c.past {
		c.past = true
		if b.limit.on.any { // else past since the hold
			b.passAll(fate.StageRateLimit, c, now)
		}
	}
}

func (b *Bridge) passAll(stage fate.Stage, c *Broadcast, at time.Duration) {
	if b.cfg.Watch == nil {
		return
	}
	for i := range c.Records {
		b.pass(stage, &c.Records[i], at)
	}
}

// passHold notes that a value has been taken into a broadcast. Without a rate
// limit it is past that, too: what it waits for from here on is the medium.
func (b *Bridge) passHold(index int32, at time.Duration) {
	v := &b.ledger.values[index]
	if !v.held {
		v.held = true
		b.pass(fate.StageHold, &v.record, at)
		if !b.limit.on.any {
			b.pass(fate.StageRateLimit, &v.record, at)
		}
	}
}
