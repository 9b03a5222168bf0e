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
// the one that is in flight, or the radio is full.
func (b *Bridge) freeAt(now time.Duration) time.Duration {
	if most := b.cfg.Pace.InRadio; most > 0 && len(b.flying)+b.overdue >= most {
		return never
	}
	if b.cfg.Pace.Gap > 0 {
		return max(now, b.nextSlot, b.mediumFrom)
	}
	if len(b.flying) > 0 {
		return never
	}
	return max(now, b.mediumFrom)
}

// handOverDue returns the first instant from now on at which something can be
// handed over, or given up, as things stand.
func (b *Bridge) handOverDue(now time.Duration) time.Duration {
	t := b.freeAt(now)
	for t != never {
		n := b.choose(t)
		at := never
		if n.kind != noCandidate {
			at = max(t, b.payable(now, n))
		}
		next := b.copyAfter(t, n)
		if at < next {
			return at
		}
		t = next
	}
	return never
}

// mayLeave reports whether the head of the send queue, if there is one, is handed
// over at now.
func (b *Bridge) mayLeave(now time.Duration) bool {
	if b.freeAt(now) != now {
		return false
	}
	n := b.choose(now)
	return n.kind == queuedCandidate && b.payable(now, n) == now
}

// handOver returns what leaves at now, or nil.
func (b *Bridge) handOver(now time.Duration) *Broadcast {
	if b.freeAt(now) > now {
		return nil
	}
	for {
		n := b.choose(now)
		if n.kind == noCandidate {
			return nil
		}
		pays := b.limit.ready(now, b.priceOf(n)) == now
		if !pays && !b.cfg.Limit.Drop {
			return nil
		}
		var c *Broadcast
		switch n.kind {
		case copyCandidate:
			if pays {
				return b.handOverCopy(now, n.index)
			}
			b.dropCopy(n.index)
		case queuedCandidate:
			if !pays {
				return nil
			}
			c = b.popQueue(now)
		case composedCandidate:
			c = b.compose(now, &b.streams[n.index], pays)
		}
		if c != nil {
			return b.launch(now, c)
		}
	}
}

// compose lets the policy of a stream make the broadcast that leaves at now, or
// give up what it cannot pay for. It returns nil if there is none.
func (b *Bridge) compose(now time.Duration, s *stream, pays bool) *Broadcast {
	if !pays {
		s.policy.giveUp(now, fate.FrameRateLimited)
		return nil
	}
	c := s.policy.compose(now)
	if c == nil {
		return nil
	}
	b.turns++
	s.served = b.turns
	c.cost = b.costOf(c.Size)
	b.queue.ahead.charge(now, c.cost)
	for i := range c.Records {
		if v := &b.ledger.values[c.Records[i].value]; b.limit.on.any && !v.handed {
			b.pass(fate.StageRateLimit, &v.record, now)
		}
	}
	return c
}

// launch hands over a new broadcast.
func (b *Bridge) launch(now time.Duration, c *Broadcast) *Broadcast {
	c.Sequence, c.Counter, c.SendTime = b.sequence, b.counter, now
	b.sequence++
	b.counter++
	for i := range c.Records {
		b.leave(now, c.Records[i].value)
		if v := &b.ledger.values[c.Records[i].value]; !v.handed {
			v.handed = true
			b.pass(fate.StageSendQueue, &v.record, now)
		}
	}
	if b.cfg.Repeat.Copies > 1 {
		c.uses++
		due := now + b.cfg.Repeat.Spacing
		b.copies = append(b.copies, again{c, 1, due})
		b.firstCopy = min(b.firstCopy, due)
	}
	b.keep(c)
	b.spend(c)
	return b.fly(now, c)
}

// spend books the air of a broadcast with the policy that pays for it.
func (b *Bridge) spend(c *Broadcast) {
	if p := b.streams[c.stream].price; p != nil {
		p.spent += b.cfg.Airtime(c.Size)
	}
}

// handOverCopy hands over the copy that waits at index i.
func (b *Bridge) handOverCopy(now time.Duration, i int) *Broadcast {
	c := b.copyOf(now, b.copies[i].broadcast, b.copies[i].copy)
	b.advanceCopy(i)
	b.spend(c)
	return b.fly(now, c)
}

// copyOf returns copy number n of a broadcast, charged to the limiter ahead.
func (b *Bridge) copyOf(now time.Duration, first *Broadcast, n int) *Broadcast {
	c := b.newBroadcast(first.stream)
	c.Sequence, c.Counter, c.SendTime = first.Sequence, first.Counter, first.SendTime
	c.Copy, c.Size, c.cost = n, first.Size, first.cost
	c.Records = append(c.Records, first.Records...)
	for j := range c.Records {
		b.ledger.values[c.Records[j].value].refs++
	}
	b.queue.ahead.charge(now, c.cost)
	return c
}

// dropCopy gives up the copy that waits at index i.
func (b *Bridge) dropCopy(i int) {
	first := b.copies[i].broadcast
	for j := range first.Records {
		b.ledger.note(first.Records[j].value, fate.FrameRateLimited)
	}
	b.advanceCopy(i)
}

// advanceCopy moves on to the next copy of the broadcast at index i, if there is
// one.
func (b *Bridge) advanceCopy(i int) {
	a := &b.copies[i]
	if a.copy++; a.copy < b.cfg.Repeat.Copies {
		a.due = a.broadcast.SendTime + time.Duration(a.copy)*b.cfg.Repeat.Spacing
	} else {
		first := a.broadcast
		b.copies = append(b.copies[:i], b.copies[i+1:]...)
		b.finish(first)
	}
	b.firstCopy = never
	for i := range b.copies {
		b.firstCopy = min(b.firstCopy, b.copies[i].due)
	}
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
