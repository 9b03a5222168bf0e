package bridge

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// NoPage is the page of a record whose identifier has no pages.
const NoPage = -1

// Record is one value of a forwarded identifier inside a broadcast.
type Record struct {
	Slot    int           // index into the forward list
	Page    int           // value of the selector, or NoPage
	ValidAt time.Duration // release of the value at its source, or its reception
	Frame   uint64        // number of its frame among those offered and passed over, from 1; 0 in a broadcast that was decoded
	Length  uint8
	Data    [bus.MaxLength]byte // the first Length bytes count

	value int32 // index in the ledger
}

// Broadcast is one transmission. It belongs to the bridge that made it and is
// used again after the last holder has called Release; until then nothing in it
// changes.
type Broadcast struct {
	Sequence uint16
	Counter  uint32        // as Sequence, but over 2^32 broadcasts: for the authentication tag
	Copy     int           // 0, then 1, 2, ... for repeats; the bytes are the same
	Size     int           // payload bytes as the layout encodes it
	SendTime time.Duration // first hand-over to the medium
	Records  []Record

	home    *Bridge
	room    *Received // instead of home, of one that a receiver rebuilt
	holders int
	uses    int // reasons for the bridge to hold it; while there is one, it holds its values too
	pinned  bool
	past    bool // its rate limit stage has been told
	stream  int32
	class   int
	cost    cost
}

// Retain adds n holders.
func (b *Broadcast) Retain(n int) { b.holders += n }

// Release ends the hold of one holder. After the last one the broadcast is used
// again. It panics if nobody holds the broadcast.
func (b *Broadcast) Release() {
	b.holders--
	if b.holders > 0 {
		return
	}
	if b.holders < 0 {
		panic("bridge: Release of a broadcast that nobody holds")
	}
	if b.room != nil {
		b.room.idle = append(b.room.idle, b)
		return
	}
	b.home.recycle(b)
}

// newBroadcast returns an empty broadcast of a stream that the bridge holds for
// one reason.
func (b *Bridge) newBroadcast(stream int32) *Broadcast {
	var c *Broadcast
	if n := len(b.idle); n > 0 {
		c = b.idle[n-1]
		b.idle = b.idle[:n-1]
	} else {
		c = &Broadcast{home: b}
	}
	c.Copy, c.Records, c.holders, c.uses, c.Size = 0, c.Records[:0], 1, 1, b.codec.header
	c.past, c.stream, c.class = false, stream, b.streams[stream].class
	return c
}

// include puts a value into a broadcast. The broadcast takes over one reference.
func (b *Bridge) include(c *Broadcast, index int32) {
	r := &b.ledger.values[index].record
	c.Records = append(c.Records, *r)
	c.Size += b.codec.RecordSize(r.Slot, int(r.Length))
}

// recycle is called when nobody holds the broadcast any more.
func (b *Bridge) recycle(c *Broadcast) {
	if c.pinned {
		b.unpin(c)
	}
	b.idle = append(b.idle, c)
}

// finish ends one of the bridge's reasons to hold the broadcast.
func (b *Bridge) finish(c *Broadcast) {
	if c.uses--; c.uses > 0 {
		return
	}
	for i := range c.Records {
		b.ledger.drop(c.Records[i].value)
	}
	c.Release()
}

// loseBroadcast ends one of the bridge's reasons to hold the broadcast, for a
// cause that counts as the fate of its values.
func (b *Bridge) loseBroadcast(c *Broadcast, f fate.Frame) {
	for i := range c.Records {
		b.ledger.note(c.Records[i].value, f)
	}
	b.finish(c)
}

func (b *Bridge) markSent(c *Broadcast) {
	for i := range c.Records {
		v := &b.ledger.values[c.Records[i].value]
		if b.cfg.Settled != nil && !v.sent {
			b.tellFate(&v.record, fate.FrameSent)
		}
		v.sent = true
	}
}

// pin keeps the values in the ledger until it is known whether a timed-out
// broadcast went out.
func (b *Bridge) pin(c *Broadcast) {
	c.pinned = true
	b.overdue++
	for i := range c.Records {
		b.ledger.values[c.Records[i].value].pins++
	}
}

func (b *Bridge) unpin(c *Broadcast) {
	c.pinned = false
	b.overdue--
	for i := range c.Records {
		b.ledger.unpin(c.Records[i].value)
	}
}
