package bridge

import (
	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// tellFate tells the fate of a listed frame to whoever asks for it.
func (b *Bridge) tellFate(r *Record, f fate.Frame) {
	if !b.closed {
		b.cfg.Settled(f, r, b.clock)
	}
}

// turnAway counts a frame that a mask turns away.
func (b *Bridge) turnAway(f *bus.Frame) {
	b.ledger.counts[fate.FrameMasked]++
	if b.cfg.Settled == nil || f.Kind != bus.Data {
		return
	}
	slot, listed := b.list.table.Lookup(f.ID)
	if !listed {
		return
	}
	r := Record{Slot: slot, Page: NoPage, ValidAt: f.Released, Frame: b.frames + b.passedOver, Length: f.Length}
	if s := b.list.entries[slot].Selector; s != nil {
		if page, ok := s.Page(f.Payload()); ok {
			r.Page = page
		}
	}
	b.tellFate(&r, fate.FrameMasked)
}

// settleRest tells what the frames are counted as that are inside at the end.
func (b *Bridge) settleRest() {
	for i := range b.ledger.values {
		switch v := &b.ledger.values[i]; {
		case v.sent: // told when it was
		case v.refs > 0:
			b.tellFate(&v.record, fate.FrameInsideAtEnd)
		case v.pins > 0:
			b.tellFate(&v.record, v.fate)
		}
	}
}
