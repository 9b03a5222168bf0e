package bridge

import (
	"encoding/binary"
	"errors"
	"fmt"

	"stalegauge/bus"
)

// ErrVersion is in the error of [Codec.Decode] for a datagram of another layout
// version.
var ErrVersion = errors.New("another layout version")

// Datagram is a broadcast as a receiver reads it.
type Datagram struct {
	Version     uint8
	HasSendTime bool
	HasAges     bool
	Set         uint16
	Sequence    uint16
	SendTime    uint32 // microseconds modulo 2^32; 0 without HasSendTime
	Records     []DatagramRecord
}

// DatagramRecord is one record of a [Datagram].
type DatagramRecord struct {
	ID   bus.ID
	Slot int    // index into the forward list, -1 if the identifier is not on it
	Page int    // value of the selector; NoPage if there is none or it does not lie in the data
	Age  uint16 // in units of 100 us, rounded down; 65535 = that or older; 0 without HasAges
	Data []byte // part of the bytes decoded
}

// Decode reads a datagram into d, whose records are used again; their data are
// parts of the datagram. It accepts exactly what an encoder of the same layout
// version and list can write, with either flag. Otherwise the error says at which
// byte what was found and what was expected, and d holds nothing of use.
func (c *Codec) Decode(datagram []byte, d *Datagram) error {
	d.Records = d.Records[:0]
	if len(datagram) < headerBytes {
		return fmt.Errorf("datagram of %d bytes is shorter than its header of %d", len(datagram), headerBytes)
	}
	if v := datagram[0]; v != c.layout.Version {
		return fmt.Errorf("byte 0: layout version %d, expected %d: %w", v, c.layout.Version, ErrVersion)
	}
	flags := datagram[1]
	if flags&^(flagSendTime|flagRecordAges) != 0 {
		return fmt.Errorf("byte 1: flags %#02x, only %#02x and %#02x are known", flags, flagSendTime, flagRecordAges)
	}
	d.Version = datagram[0]
	d.HasSendTime, d.HasAges = flags&flagSendTime != 0, flags&flagRecordAges != 0
	d.Set, d.Sequence = binary.BigEndian.Uint16(datagram[2:]), binary.BigEndian.Uint16(datagram[4:])
	count, at := int(datagram[6]), headerBytes
	d.SendTime = 0
	if d.HasSendTime {
		if len(datagram) < at+sendTimeBytes {
			return fmt.Errorf("byte %d: the send time of %d bytes is cut off", at, sendTimeBytes)
		}
		d.SendTime = binary.BigEndian.Uint32(datagram[at:])
		at += sendTimeBytes
	}
	for i := range count {
		r, size, err := c.decodeRecord(datagram[at:], d.HasAges)
		if err != nil {
			return fmt.Errorf("byte %d: record %d of %d: %w", at, i+1, count, err)
		}
		d.Records = append(d.Records, r)
		at += size
	}
	if at != len(datagram) {
		return fmt.Errorf("byte %d: %d bytes follow the last of %d records", at, len(datagram)-at, count)
	}
	return nil
}

// decodeRecord reads the record at the front of rest and returns its size.
func (c *Codec) decodeRecord(rest []byte, ages bool) (r DatagramRecord, size int, err error) {
	var length int
	if c.layout.Kind == LayoutSlot {
		size, length, err = c.decodeSlot(rest, &r)
	} else {
		size, length, err = c.decodeID(rest, &r)
	}
	if err != nil {
		return r, 0, err
	}
	tail := 0
	if ages {
		tail = ageBytes
	}
	if len(rest) < size+length+tail {
		return r, 0, fmt.Errorf("%d bytes of data and %d of age expected, %d bytes are left", length, tail, len(rest)-size)
	}
	r.Data = rest[size : size+length : size+length]
	size += length
	if ages {
		r.Age = binary.BigEndian.Uint16(rest[size:])
		size += ageBytes
	}
	r.Page = NoPage
	if r.Slot >= 0 {
		if sel := c.entries[r.Slot].Selector; sel != nil {
			if page, ok := sel.Page(r.Data); ok {
				r.Page = page
			}
		}
	}
	return r, size, nil
}

var errCutOff = errors.New("the datagram ends before it")

func (c *Codec) decodeSlot(rest []byte, r *DatagramRecord) (size, length int, err error) {
	if len(rest) < 1 {
		return 0, 0, errCutOff
	}
	r.Slot = int(rest[0])
	if r.Slot >= len(c.entries) {
		return 0, 0, fmt.Errorf("slot %d, the forward list has %d entries", r.Slot, len(c.entries))
	}
	r.ID = c.entries[r.Slot].ID
	return 1, c.entries[r.Slot].Length, nil
}

func (c *Codec) decodeID(rest []byte, r *DatagramRecord) (size, length int, err error) {
	if len(rest) < 3 {
		return 0, 0, errCutOff
	}
	size = 2
	r.ID = bus.ID(binary.BigEndian.Uint16(rest))
	if rest[0]&0x80 != 0 {
		if len(rest) < 5 {
			return 0, 0, errCutOff
		}
		size = 4
		r.ID = bus.ID(binary.BigEndian.Uint32(rest))
	}
	if !r.ID.Valid() {
		return 0, 0, fmt.Errorf("identifier field %X has bits beyond the identifier", rest[:size])
	}
	length = int(rest[size])
	if length > bus.MaxLength {
		return 0, 0, fmt.Errorf("length %d, a frame has at most %d bytes", length, bus.MaxLength)
	}
	r.Slot = -1
	if slot, ok := c.table.Lookup(r.ID); ok {
		r.Slot = slot
	}
	return size + 1, length, nil
}
