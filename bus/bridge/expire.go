package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// expired reports whether a value has grown too old to be handed over.
func (b *Bridge) expired(now time.Duration, index int32) bool {
	return b.cfg.DropOlder > 0 && now-b.ledger.values[index].record.ValidAt > b.cfg.DropOlder
}

// expireRecords takes the values that have grown too old out of a broadcast that
// has not been handed over. It reports whether there were any.
func (b *Bridge) expireRecords(now time.Duration, c *Broadcast) bool {
	if b.cfg.DropOlder == 0 {
		return false
	}
	kept := c.Records[:0]
	for i := range c.Records {
		r := &c.Records[i]
		if b.expired(now, r.value) {
			c.Size -= b.codec.RecordSize(r.Slot, int(r.Length))
			b.ledger.lose(r.value, fate.FrameExpired)
			continue
		}
		kept = append(kept, *r)
	}
	gone := len(kept) < len(c.Records)
	c.Records = kept
	return gone
}
