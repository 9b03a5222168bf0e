package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// flight is a broadcast that the medium has and has not confirmed.
type flight struct {
	broadcast *Broadcast
	deadline  time.Duration
}

// again is a broadcast of which copies are to follow.
type again struct {
	broadcast *Broadcast
	copy      int // the next
	due       time.Duration
}

// freeAt returns when the medium takes the next broadcast; never while it has
// the one that is in flight.
func (b *Bridge) freeAt(now time.Duration) time.Duration {
	if b.cfg.Pace.Gap > 0 {
		return max(now, b.nextSlot)
	}
	if len(b.flying) > 0 {
		return never
	}
	return now
}

// nextCopy returns the index of the copy that is due first, or -1.
func (b *Bridge) nextCopy() int {
	first := -1
	for i := range b.copies {
		if first < 0 || b.copies[i].due < b.copies[first].due {
			first = i
		}
	}
	return first
}

// handOverDue returns the first instant from now on at which something can be
// handed over, as things stand.
func (b *Bridge) handOverDue(now time.Duration) time.Duration {
	free := b.freeAt(now)
	if free == never {
		return never
	}
	fresh := never
	if price, ok := b.freshCost(); ok {
		fresh = b.limit.ready(now, price)
		if b.cfg.Limit.Drop && b.queue.line.len() == 0 {
			fresh = now // a round that cannot be paid is given up at once
		}
		fresh = max(free, fresh)
	}
	i := b.nextCopy()
	if i < 0 || b.copies[i].due > fresh {
		return fresh
	}
	due := max(free, b.copies[i].due)
	if b.cfg.Limit.Drop {
		return due
	}
	return max(due, b.limit.ready(now, b.copies[i].broadcast.cost))
}

// freshCost returns what the next new broadcast has to find in the buckets. What
// a policy makes at hand-over must be payable at full size.
func (b *Bridge) freshCost() (cost, bool) {
	if b.queue.line.len() > 0 {
		return (*b.queue.line.front()).cost, true
	}
	return b.fullCost, b.policy.ready()
}

// mayLeave reports whether the head of the send queue, if there is one, can be
// handed over at now.
func (b *Bridge) mayLeave(now time.Duration) bool {
	return b.freeAt(now) == now && !b.copyDue(now) && b.limit.ready(now, (*b.queue.line.front()).cost) == now
}

func (b *Bridge) copyDue(now time.Duration) bool {
	i := b.nextCopy()
	return i >= 0 && b.copies[i].due <= now
}

// handOver returns what leaves at now, or nil.
func (b *Bridge) handOver(now time.Duration) *Broadcast {
	if b.freeAt(now) > now {
		return nil
	}
	for {
		i := b.nextCopy()
		if i < 0 || b.copies[i].due > now {
			return b.handOverFresh(now)
		}
		price := b.copies[i].broadcast.cost
		if b.limit.ready(now, price) == now {
			return b.handOverCopy(now, i)
		}
		if !b.cfg.Limit.Drop {
			return nil
		}
		b.dropCopy(i)
	}
}

// handOverFresh returns the new broadcast that leaves at now, or nil: the head of
// the send queue, or what the policy makes.
func (b *Bridge) handOverFresh(now time.Duration) *Broadcast {
	price, ok := b.freshCost()
	if !ok {
		return nil
	}
	pays := b.limit.ready(now, price) == now
	if b.queue.line.len() > 0 {
		if !pays {
			return nil
		}
		b.queue.passed--
		return b.launch(now, b.queue.line.pop())
	}
	if !pays {
		if b.cfg.Limit.Drop {
			b.policy.giveUp(fate.FrameRateLimited)
		}
		return nil
	}
	c := b.policy.compose(now)
	if c == nil {
		return nil
	}
	c.cost = b.costOf(c.Size)
	b.queue.ahead.charge(now, c.cost)
	for i := range c.Records {
		if v := &b.ledger.values[c.Records[i].value]; !v.handed {
			b.pass(fate.StageRateLimit, &v.record, now)
		}
	}
	return b.launch(now, c)
}

// launch hands over a new broadcast.
func (b *Bridge) launch(now time.Duration, c *Broadcast) *Broadcast {
	c.Sequence = b.sequence
	b.sequence++
	c.SendTime = now
	for i := range c.Records {
		if v := &b.ledger.values[c.Records[i].value]; !v.handed {
			v.handed = true
			b.pass(fate.StageSendQueue, &v.record, now)
		}
	}
	if b.cfg.Repeat.Copies > 1 {
		c.uses++
		b.copies = append(b.copies, again{c, 1, now + b.cfg.Repeat.Spacing})
	}
	return b.fly(now, c)
}

// handOverCopy hands over the copy that waits at index i.
func (b *Bridge) handOverCopy(now time.Duration, i int) *Broadcast {
	first := b.copies[i].broadcast
	c := b.newBroadcast()
	c.Sequence, c.Copy, c.Size, c.SendTime, c.cost = first.Sequence, b.copies[i].copy, first.Size, first.SendTime, first.cost
	c.Records = append(c.Records, first.Records...)
	for j := range c.Records {
		b.ledger.values[c.Records[j].value].refs++
	}
	b.queue.ahead.charge(now, c.cost)
	b.advanceCopy(i)
	return b.fly(now, c)
}

// dropCopy gives up the copy that waits at index i.
func (b *Bridge) dropCopy(i int) {
	first := b.copies[i].broadcast
	for j := range first.Records {
		b.ledger.note(first.Records[j].value, fate.FrameRateLimited)
	}
	b.advanceCopy(i)
}

func (b *Bridge) advanceCopy(i int) {
	a := &b.copies[i]
	if a.copy++; a.copy < b.cfg.Repeat.Copies {
		a.due = a.broadcast.SendTime + time.Duration(a.copy)*b.cfg.Repeat.Spacing
		return
	}
	first := a.broadcast
	b.copies = append(b.copies[:i], b.copies[i+1:]...)
	b.finish(first)
}

// fly gives a broadcast to the medium and adds the caller as its holder.
func (b *Bridge) fly(now time.Duration, c *Broadcast) *Broadcast {
	b.limit.charge(now, c.cost)
	deadline := never
	if b.cfg.SendTimeout > 0 {
		deadline = now + b.cfg.SendTimeout
	}
	if len(b.flying) == 0 {
		b.airFrom = now
	}
	b.flying = append(b.flying, flight{c, deadline})
	b.nextSlot = now + b.cfg.Pace.Gap
	c.holders++
	return c
}

// land takes the flight with this index from the medium.
func (b *Bridge) land(now time.Duration, i int) {
	b.flying = append(b.flying[:i], b.flying[i+1:]...)
	if len(b.flying) == 0 {
		b.airBusy += now - b.airFrom
	}
}

// timeOut frees the bridge from the flight that it has waited for longest.
func (b *Bridge) timeOut(now time.Duration) {
	c := b.flying[0].broadcast
	b.land(now, 0)
	b.pin(c)
	b.loseBroadcast(c, fate.FrameSendTimeout)
}

// confirm ends the flight of a broadcast.
func (b *Bridge) confirm(now time.Duration, c *Broadcast, ok bool) {
	if ok {
		b.markSent(c)
	}
	for i := range b.flying {
		if b.flying[i].broadcast != c {
			continue
		}
		b.land(now, i)
		if ok {
			b.finish(c)
		} else {
			b.loseBroadcast(c, fate.FrameAccessFailed)
		}
		return
	}
	if !c.pinned {
		panic("bridge: Sent of a broadcast that is not on its way")
	}
	b.unpin(c)
}
