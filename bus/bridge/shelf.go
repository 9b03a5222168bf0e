package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// shelf keeps the latest value of each identifier and page, for a policy that
// chooses its content at hand-over. With latch it also keeps a pulse: a value
// that differs from what was sent last when the next one differs from it in turn.
type shelf struct {
	base
	latch   bool
	compare bool
	watches []watch // by slot, where they are needed
	items   []item  // by key
}

type item struct {
	newest int32 // value, or -1
	pulse  int32 // to be sent before it, or -1
	said   content
	known  bool // said holds something: what was sent last, or the first value
	sent   bool // something was sent
}

func newShelf(own base, latch, compare bool) shelf {
	s := shelf{base: own, latch: latch, compare: compare || latch}
	if s.compare {
		s.watches = make([]watch, len(own.bridge.cfg.Forward))
		for _, slot := range own.slots() {
			s.watches[slot] = newWatch(&own.bridge.cfg.Forward[slot].Watched)
		}
	}
	return s
}

// item returns what is kept under a key.
func (s *shelf) item(key int32) *item {
	for int(key) >= len(s.items) {
		s.items = append(s.items, item{newest: -1, pulse: -1})
	}
	return &s.items[key]
}

// keep puts a value on the shelf.
func (s *shelf) keep(index int32) *item {
	l := &s.bridge.ledger
	v := &l.values[index]
	it := s.item(v.key)
	if s.compare && !it.known {
		it.known = true
		it.said.set(&v.record)
	}
	old := it.newest
	it.newest = index
	switch {
	case old < 0:
	case s.latch && it.pulse < 0 && s.differs(it, old) && s.isAnother(old, &v.record):
		it.pulse = old
	default:
		l.lose(old, fate.FrameReplaced)
	}
	return it
}

// differs reports whether a value differs from what was sent last.
func (s *shelf) differs(it *item, index int32) bool {
	r := &s.bridge.ledger.values[index].record
	return s.watches[r.Slot].differs(&it.said, r)
}

// isAnother reports whether a record differs from a value.
func (s *shelf) isAnother(index int32, r *Record) bool {
	var c content
	c.set(&s.bridge.ledger.values[index].record)
	return s.watches[r.Slot].differs(&c, r)
}

// next returns the value that is to be sent next under a key, or -1.
func (it *item) next() int32 {
	if it.pulse >= 0 {
		return it.pulse
	}
	return it.newest
}

// peek returns the value to be sent next under a key, or -1.
func (s *shelf) peek(key int32) int32 {
	if int(key) >= len(s.items) {
		return -1
	}
	return s.items[key].next()
}

// fits reports whether a broadcast has room for a value.
func (s *shelf) fits(c *Broadcast, index int32) bool {
	b := s.bridge
	r := &b.ledger.values[index].record
	return len(c.Records) < maxRecords && c.Size+b.codec.RecordSize(r.Slot, int(r.Length)) <= b.cfg.MaxPayload
}

// send puts the next value under a key into a broadcast.
func (s *shelf) send(now time.Duration, c *Broadcast, key int32) {
	b := s.bridge
	it := &s.items[key]
	index := it.next()
	if it.pulse >= 0 {
		it.pulse = -1 // the broadcast takes over its reference
	} else {
		b.ledger.values[index].refs++
	}
	if s.compare {
		it.said.set(&b.ledger.values[index].record)
	}
	it.sent = true
	b.include(c, index)
	b.passHold(index, now)
}

// sweep drops the values that have grown too old.
func (s *shelf) sweep(now time.Duration) {
	if s.bridge.cfg.DropOlder == 0 {
		return
	}
	for i := range s.items {
		for _, place := range []*int32{&s.items[i].newest, &s.items[i].pulse} {
			if *place >= 0 && s.bridge.expired(now, *place) {
				s.bridge.ledger.lose(*place, fate.FrameExpired)
				*place = -1
			}
		}
	}
}

// forgo gives up the next value under a key for now: it stays on the shelf, a
// pulse does not.
func (s *shelf) forgo(key int32, f fate.Frame) {
	it := &s.items[key]
	if it.pulse < 0 {
		s.bridge.ledger.note(it.newest, f)
		return
	}
	s.bridge.ledger.lose(it.pulse, f)
	it.pulse = -1
}
