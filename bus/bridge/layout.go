package bridge

import (
	"encoding/binary"
	"slices"
	"time"

	"stalegauge/bus"
)

// The layout, big-endian:
//
//	header   version 1, flags 1, set 2, sequence 2, count of records 1
//	         flag 1: send time, microseconds modulo 2^32, 4
//	record   id:   identifier 2 (11 bit) or 4 (29 bit, top bit set), length 1, data
//	         slot: index into the forward list 1, data as long as the list says
//	         flag 2: age at the send time, unit 100 us, 65535 = older, 2
const (
	headerBytes   = 7
	sendTimeBytes = 4
	ageBytes      = 2

	flagSendTime   = 1
	flagRecordAges = 2

	maxRecords = 255
	maxSlots   = 256

	ageUnit = 100 * time.Microsecond
	ageMost = 65535
)

// Codec writes and reads the broadcasts of one layout and forward list. It does
// not change after it was made and may be shared.
type Codec struct {
	layout  Layout
	entries []Forward
	table   *bus.Table
	header  int
	extra   []int // by slot: bytes of a record besides its data
}

// NewCodec returns the codec of a layout and a forward list, which must be free
// of the mistakes that [New] reports.
func NewCodec(layout Layout, list []Forward) *Codec {
	c := &Codec{layout: layout, entries: slices.Clone(list), table: bus.NewTable(), header: headerBytes}
	if layout.SendTime {
		c.header += sendTimeBytes
	}
	for _, e := range list {
		c.table.Add(e.ID)
		extra := 1
		if layout.Kind == LayoutID {
			extra = 2 + 1
			if e.ID.IsExtended() {
				extra = 4 + 1
			}
		}
		if layout.RecordAges {
			extra += ageBytes
		}
		c.extra = append(c.extra, extra)
	}
	return c
}

// HeaderSize returns the bytes of a broadcast besides its records.
func (c *Codec) HeaderSize() int { return c.header }

// Overhead returns the bytes of a record of this slot besides its data.
func (c *Codec) Overhead(slot int) int { return c.extra[slot] }

// RecordSize returns the bytes of a record of this slot with so many bytes of
// data.
func (c *Codec) RecordSize(slot, length int) int { return c.extra[slot] + length }

// smallest returns the bytes of the smallest record that the list can give.
func (c *Codec) smallest() int {
	least := 0
	for slot, e := range c.entries {
		size := c.extra[slot]
		if c.layout.Kind == LayoutSlot {
			size += e.Length
		}
		if slot == 0 || size < least {
			least = size
		}
	}
	return least
}

func (c *Codec) flags() byte {
	var flags byte
	if c.layout.SendTime {
		flags |= flagSendTime
	}
	if c.layout.RecordAges {
		flags |= flagRecordAges
	}
	return flags
}

// Encode appends the bytes of a broadcast to dst: exactly b.Size of them. The
// broadcast must be of this layout and list and have at most 255 records; then
// Encode allocates only to make dst longer. A record's age is what has passed from
// ValidAt to the send time, rounded down.
func (c *Codec) Encode(dst []byte, b *Broadcast) []byte {
	if len(b.Records) > maxRecords {
		panic("bridge: Encode of more than 255 records")
	}
	dst = append(dst, c.layout.Version, c.flags())
	dst = binary.BigEndian.AppendUint16(dst, c.layout.Set)
	dst = binary.BigEndian.AppendUint16(dst, b.Sequence)
	dst = append(dst, byte(len(b.Records)))
	if c.layout.SendTime {
		dst = binary.BigEndian.AppendUint32(dst, uint32(b.SendTime/time.Microsecond))
	}
	for i := range b.Records {
		dst = c.encodeRecord(dst, b, &b.Records[i])
	}
	return dst
}

func (c *Codec) encodeRecord(dst []byte, b *Broadcast, r *Record) []byte {
	switch id := c.entries[r.Slot].ID; {
	case c.layout.Kind == LayoutSlot:
		dst = append(dst, byte(r.Slot))
	case id.IsExtended():
		dst = binary.BigEndian.AppendUint32(dst, 1<<31|id.Number())
		dst = append(dst, r.Length)
	default:
		dst = binary.BigEndian.AppendUint16(dst, uint16(id.Number()))
		dst = append(dst, r.Length)
	}
	dst = append(dst, r.Data[:r.Length]...)
	if c.layout.RecordAges {
		age := min(max((b.SendTime-r.ValidAt)/ageUnit, 0), ageMost)
		dst = binary.BigEndian.AppendUint16(dst, uint16(age))
	}
	return dst
}
