package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// sendQueue holds the broadcasts that wait for rate limit and medium.
//
// The instant at which a broadcast is past the rate limit is the first at which
// the buckets could have paid for it and all before it in the queue. The limiter
// ahead finds it: it is charged at that instant, while the limiter of the bridge
// is charged at hand-over. As ahead pays as early as the limit allows, no
// broadcast is handed over before it has passed (induction over the queue: the
// level of ahead never lies below the level of the other less what has passed
// and waits).
type sendQueue struct {
	rule      SendQueue
	line      ring[*Broadcast]
	passed    int // the first of the line are past the rate limit
	ahead     limiter
	highWater int
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
	q.line.push(c)
	if b.mayLeave(now) {
		leaving = 1
	}
	q.highWater = max(q.highWater, q.line.len()-leaving)
	b.passLimit(now)
}

// makeRoom applies the rule of the full queue. It returns false if c was dealt
// with.
func (b *Bridge) makeRoom(now time.Duration, c *Broadcast, leaving int, pays bool) bool {
	q := &b.queue
	switch q.rule.Full {
	case FullDropOldest:
		old := q.line.remove(leaving)
		if leaving < q.passed {
			q.passed--
			q.ahead.refund(now, old.cost)
		}
		b.loseBroadcast(old, fate.FrameSendQueueFull)
		return true
	case FullReplaceSame:
		for i := q.line.len() - 1; i >= leaving; i-- {
			old := *q.line.at(i)
			if !sameKeys(old.Records, c.Records) {
				continue
			}
			*q.line.at(i) = c
			if i < q.passed {
				q.ahead.refund(now, old.cost)
				q.ahead.charge(now, c.cost)
				b.passAll(fate.StageRateLimit, c, now)
			}
			b.loseBroadcast(old, fate.FrameReplaced)
			return false
		}
	}
	if pays {
		b.passAll(fate.StageRateLimit, c, now)
	}
	b.loseBroadcast(c, fate.FrameSendQueueFull)
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
		b.passAll(fate.StageRateLimit, c, now)
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

// passHold notes that a value has been taken into a broadcast.
func (b *Bridge) passHold(index int32, at time.Duration) {
	v := &b.ledger.values[index]
	if !v.held {
		v.held = true
		b.pass(fate.StageHold, &v.record, at)
	}
}
