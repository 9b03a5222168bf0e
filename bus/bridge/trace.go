package bridge

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// Trace is told the life of every listed value: what a picture of single values
// needs beyond [Config.Watch]. The records may be read during the call only.
// Both functions must be set.
type Trace struct {
	// Passed is told what Config.Watch is told, by the same rules.
	Passed func(stage fate.Stage, r *Record, at time.Duration)
	// Settled is told the fate of each listed frame once, when it is known for
	// good; the fates told sum to those of [Bridge.Fates], but for frames that
	// are not on the forward list.
	Settled func(f fate.Frame, r *Record, at time.Duration)
}

// traceFate tells the fate of a frame.
func (b *Bridge) traceFate(r *Record, f fate.Frame) {
	if !b.closed {
		b.cfg.Trace.Settled(f, r, b.clock)
	}
}

// traceMasked tells of a listed frame that a mask turned away.
func (b *Bridge) traceMasked(f *bus.Frame) {
	slot, listed := b.list.table.Lookup(f.ID)
	if !listed || f.Kind != bus.Data {
		return
	}
	r := Record{Slot: slot, Page: NoPage, ValidAt: f.Released, Frame: b.frames + b.passedOver, Length: f.Length}
	if s := b.list.entries[slot].Selector; s != nil {
		if page, ok := s.Page(f.Payload()); ok {
			r.Page = page
		}
	}
	b.traceFate(&r, fate.FrameMasked)
}

// traceRest tells what the frames are counted as that are inside at the end.
func (b *Bridge) traceRest() {
	for i := range b.ledger.values {
		switch v := &b.ledger.values[i]; {
		case v.sent: // told when it was
		case v.refs > 0:
			b.traceFate(&v.record, fate.FrameInsideAtEnd)
		case v.pins > 0:
			b.traceFate(&v.record, v.fate)
		}
	}
}
