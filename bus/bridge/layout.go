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
//	         flag 4: counter, 4
//	record   id:     identifier 2 (11 bit) or 4 (29 bit, top bit set), length 1, data
//	         slot:   index into the forward list 1, data as long as the list says
//	         packed: index into the forward list 1, the bits of the page selector
//	                 and of the fields one behind the other, each from its most
//	                 significant bit on, zeros to the end of the last byte
//	         flag 2: age at the send time, unit 100 us, 65535 = older, 2
//	tail     flag 4: authentication tag over all before it, 4 to 8 as agreed
const (
	headerBytes   = 7
	sendTimeBytes = 4
	counterBytes  = 4
	ageBytes      = 2

	flagSendTime   = 1
	flagRecordAges = 2
	flagTag        = 4

	leastTag = 4
	mostTag  = 8

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
	header  int       // bytes besides the records, the tag included
	extra   []int     // by slot: bytes of a record besides its data
	packs   []packing // by slot, of the layout packed
	sign    func(message, tag []byte)
	zero    time.Duration // what the send time says at instant 0
}

// NewCodec returns the codec of a layout and a forward list, which must be free
// of the mistakes that [New] reports. It writes tags of zeros and takes every tag,
// see [Codec.Signed].
func NewCodec(layout Layout, list []Forward) *Codec {
	c := &Codec{layout: layout, entries: slices.Clone(list), table: bus.NewTable(), header: headerBytes}
	if layout.SendTime {
		c.header += sendTimeBytes
	}
	if layout.Tag > 0 {
		c.header += counterBytes + layout.Tag
	}
	for i := range list {
		e := &list[i]
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
		if layout.Kind == LayoutPacked {
			c.packs = append(c.packs, newPacking(e))
		}
	}
	return c
}

// Signed returns a codec of the same layout whose tags are what sign writes into
// tag for a message, which is the datagram before the tag, counter included. Its
// Decode refuses other tags with [ErrTag]. sign must not keep the slices; it is
// called by all users of the codec.
func (c *Codec) Signed(sign func(message, tag []byte)) *Codec {
	signed := *c
	signed.sign = sign
	return &signed
}

// Stamped returns a codec of the same layout whose send time says zero at instant
// 0, such as the time since the Unix epoch at which a live run began.
func (c *Codec) Stamped(zero time.Duration) *Codec {
	stamped := *c
	stamped.zero = zero
	return &stamped
}

// HeaderSize returns the bytes of a broadcast besides its records, the tag at its
// end included.
func (c *Codec) HeaderSize() int { return c.header }

// Overhead returns the bytes of a record of this slot besides its data.
func (c *Codec) Overhead(slot int) int { return c.extra[slot] }

// RecordSize returns the bytes of a record of this slot with so many bytes of
// data. Packed records of a slot are all equally large, however long the data.
func (c *Codec) RecordSize(slot, length int) int {
	if c.packs != nil {
		return c.extra[slot] + c.packs[slot].bytes
	}
	return c.extra[slot] + length
}

// smallest returns the bytes of the smallest record that these slots can give.
func (c *Codec) smallest(slots []int) int {
	least := 0
	for i, slot := range slots {
		size := c.RecordSize(slot, c.entries[slot].Length)
		if c.layout.Kind == LayoutID {
			size = c.extra[slot]
		}
		if i == 0 || size < least {
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
	if c.layout.Tag > 0 {
		flags |= flagTag
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
	from := len(dst)
	dst = append(dst, c.layout.Version, c.flags())
	dst = binary.BigEndian.AppendUint16(dst, c.layout.Set)
	dst = binary.BigEndian.AppendUint16(dst, b.Sequence)
	dst = append(dst, byte(len(b.Records)))
	if c.layout.SendTime {
		dst = binary.BigEndian.AppendUint32(dst, uint32((c.zero+b.SendTime)/time.Microsecond))
	}
	if c.layout.Tag > 0 {
		dst = binary.BigEndian.AppendUint32(dst, b.Counter)
	}
	for i := range b.Records {
		dst = c.encodeRecord(dst, b, &b.Records[i])
	}
	if n := c.layout.Tag; n > 0 {
		end := len(dst)
		dst = append(dst, noTag[:n]...)
		if c.sign != nil {
			c.sign(dst[from:end:end], dst[end:])
		}
	}
	return dst
}

var noTag [mostTag]byte

func (c *Codec) encodeRecord(dst []byte, b *Broadcast, r *Record) []byte {
	switch id := c.entries[r.Slot].ID; {
	case c.packs != nil:
		dst = append(dst, byte(r.Slot))
		dst = c.packs[r.Slot].pack(dst, r.Page, r.Data[:r.Length])
		return c.encodeAge(dst, b, r)
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
	return c.encodeAge(dst, b, r)
}

func (c *Codec) encodeAge(dst []byte, b *Broadcast, r *Record) []byte {
	if c.layout.RecordAges {
		age := min(max((b.SendTime-r.ValidAt)/ageUnit, 0), ageMost)
		dst = binary.BigEndian.AppendUint16(dst, uint16(age))
	}
	return dst
}

// Version returns the layout version that the codec writes and takes.
func (c *Codec) Version() uint8 { return c.layout.Version }
