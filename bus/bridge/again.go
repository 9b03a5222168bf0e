package bridge

import "time"

// HoldBack tells the bridge that the medium takes nothing before the instant
// until: while a duty limit demands silence, or before the next advertising
// event. What waits then waits in the bridge, under its own rules, and a policy
// that composes at hand-over does so at the latest instant. It holds until the
// next call; an instant that has passed holds nothing back.
func (b *Bridge) HoldBack(until time.Duration) { b.mediumFrom, b.stale = until, true }

// Again hands over the broadcast that left last once more, with the same bytes
// and sequence number, when nothing new waits, the medium is free and the rate
// limit can pay at once. It needs Config.KeepLast. The air is not booked with a
// policy that plans its own, since that did not ask for it. What has been said of
// the caller of [Bridge.Take] holds here, too.
func (b *Bridge) Again(now time.Duration) (*Broadcast, bool) {
	b.tell(now, "Again")
	b.advance(now)
	last := b.last
	if last == nil || b.freeAt(now) > now || b.choose(now).kind != noCandidate || b.limit.ready(now, last.cost) != now {
		return nil, false
	}
	for i := range last.Records {
		if b.expired(now, last.Records[i].value) {
			return nil, false
		}
	}
	return b.fly(now, b.copyOf(now, last, 1)), true
}

// keep holds a broadcast that leaves for [Bridge.Again], instead of the one
// before it.
func (b *Bridge) keep(c *Broadcast) {
	if !b.cfg.KeepLast {
		return
	}
	if b.last != nil {
		b.finish(b.last)
	}
	c.uses++
	b.last = c
}
