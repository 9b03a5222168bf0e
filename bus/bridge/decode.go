package bridge

import (
	"crypto/subtle"
	"encoding/binary"
	"errors"
	"fmt"

	"stalegauge/bus"
)

// ErrVersion is in the error of [Codec.Decode] for a datagram of another layout
// version.
var ErrVersion = errors.New("another layout version")

// ErrTag is in the error of [Codec.Decode] for a datagram whose authentication
// tag is not right.
var ErrTag = errors.New("wrong authentication tag")

// Fault says what is wrong with a datagram that [Codec.Decode] refuses.
type Fault uint8

// The faults.
const (
	TooShort        Fault = iota // shorter than every header
	OtherVersion                 // of another layout version
	WrongFlags                   // flags that the layout does not have
	CutOff                       // ends before something that it announces
	WrongTag                     // authentication tag
	UnknownSlot                  // slot beyond the forward list
	WrongIdentifier              // bits beyond an identifier
	WrongLength                  // longer than a frame
	WrongPacking                 // packed bits that no record has
	TrailingBytes                // bytes behind the last record
	Faults                       // how many there are
)

var faultWords = [Faults]string{
	"too_short", "other_version", "wrong_flags", "cut_off", "wrong_tag", "unknown_slot",
	"wrong_identifier", "wrong_length", "wrong_packing", "trailing_bytes",
}

// String returns the word that reports count it by.
func (f Fault) String() string { return faultWords[f] }

// DatagramError is in every error of [Codec.Decode].
type DatagramError struct {
	Fault Fault
	text  error
}

// Error says what was found and what was expected.
func (e *DatagramError) Error() string { return e.text.Error() }

// Unwrap returns the text, which may hold [ErrVersion] or [ErrTag].
func (e *DatagramError) Unwrap() error { return e.text }

func malformed(f Fault, format string, args ...any) error {
	return &DatagramError{f, fmt.Errorf(format, args...)}
}

// Datagram is a broadcast as a receiver reads it.
type Datagram struct {
	Version     uint8
	HasSendTime bool
	HasAges     bool
	Set         uint16
	Sequence    uint16
	SendTime    uint32 // microseconds modulo 2^32; 0 without HasSendTime
	Counter     uint32 // 0 without a tag
	Tag         []byte // part of the bytes decoded; empty without one
	Records     []DatagramRecord

	room []byte // data of packed records
}

// DatagramRecord is one record of a [Datagram].
type DatagramRecord struct {
	ID   bus.ID
	Slot int    // index into the forward list, -1 if the identifier is not on it
	Page int    // value of the selector; NoPage if there is none or it does not lie in the data
	Age  uint16 // in units of 100 us, rounded down; 65535 = that or older; 0 without HasAges
	// Data is part of the bytes decoded. Of a packed record it belongs to the
	// Datagram and is as long as the forward list says, with zeros where there is
	// no field.
	Data []byte
}

// Decode reads a datagram into d, whose records are used again; their data are
// parts of the datagram or of d. It accepts exactly what an encoder of the same
// layout version and list can write, with or without send time and ages.
// Otherwise the error says at which byte what was found and what was expected, and
// d holds nothing of use.
func (c *Codec) Decode(datagram []byte, d *Datagram) error {
	d.Records, d.room = d.Records[:0], d.room[:0]
	d.SendTime, d.Counter, d.Tag = 0, 0, nil
	at, err := c.decodeHeader(datagram, d)
	if err != nil {
		return err
	}
	count := int(datagram[6])
	datagram, d.Tag = datagram[:len(datagram)-c.layout.Tag], datagram[len(datagram)-c.layout.Tag:]
	if c.sign != nil && c.layout.Tag > 0 {
		var tag [mostTag]byte
		want := tag[:c.layout.Tag]
		if c.sign(datagram, want); subtle.ConstantTimeCompare(want, d.Tag) != 1 {
			return malformed(WrongTag, "byte %d: %w", len(datagram), ErrTag)
		}
	}
	for i := range count {
		r, size, err := c.decodeRecord(datagram[at:], d)
		if err != nil {
			return fmt.Errorf("byte %d: record %d of %d: %w", at, i+1, count, err)
		}
		d.Records = append(d.Records, r)
		at += size
	}
	if at != len(datagram) {
		return malformed(TrailingBytes, "byte %d: %d bytes follow the last of %d records", at, len(datagram)-at, count)
	}
	return nil
}

// decodeHeader reads what stands before the records and returns its length. There
// is room for a tag behind it.
func (c *Codec) decodeHeader(datagram []byte, d *Datagram) (at int, err error) {
	if len(datagram) < headerBytes {
		return 0, malformed(TooShort, "datagram of %d bytes is shorter than its header of %d", len(datagram), headerBytes)
	}
	if v := datagram[0]; v != c.layout.Version {
		return 0, malformed(OtherVersion, "byte 0: layout version %d, expected %d: %w", v, c.layout.Version, ErrVersion)
	}
	tag := c.flags() & flagTag
	flags := datagram[1]
	switch {
	case tag == 0 && flags&^(flagSendTime|flagRecordAges) != 0:
		return 0, malformed(WrongFlags, "byte 1: flags %#02x, only %#02x and %#02x are known", flags, flagSendTime, flagRecordAges)
	case flags&^(flagSendTime|flagRecordAges) != tag:
		return 0, malformed(WrongFlags, "byte 1: flags %#02x, expected %#02x, with or without %#02x and %#02x", flags, tag, flagSendTime, flagRecordAges)
	}
	d.Version = datagram[0]
	d.HasSendTime, d.HasAges = flags&flagSendTime != 0, flags&flagRecordAges != 0
	d.Set, d.Sequence = binary.BigEndian.Uint16(datagram[2:]), binary.BigEndian.Uint16(datagram[4:])
	at = headerBytes
	if d.HasSendTime {
		if len(datagram) < at+sendTimeBytes {
			return 0, malformed(CutOff, "byte %d: the send time of %d bytes is cut off", at, sendTimeBytes)
		}
		d.SendTime = binary.BigEndian.Uint32(datagram[at:])
		at += sendTimeBytes
	}
	if tag != 0 {
		if len(datagram) < at+counterBytes+c.layout.Tag {
			return 0, malformed(CutOff, "byte %d: the counter of %d bytes and the tag of %d do not fit in %d", at, counterBytes, c.layout.Tag, len(datagram)-at)
		}
		d.Counter = binary.BigEndian.Uint32(datagram[at:])
		at += counterBytes
	}
	return at, nil
}

// decodeRecord reads the record at the front of rest and returns its size.
func (c *Codec) decodeRecord(rest []byte, d *Datagram) (r DatagramRecord, size int, err error) {
	var length int
	if c.layout.Kind.fixedLength() {
		size, length, err = c.decodeSlot(rest, &r)
	} else {
		size, length, err = c.decodeID(rest, &r)
	}
	if err != nil {
		return r, 0, err
	}
	ages, tail := d.HasAges, 0
	if ages {
		tail = ageBytes
	}
	if len(rest) < size+length+tail {
		return r, 0, malformed(CutOff, "%d bytes of data and %d of age expected, %d bytes are left", length, tail, len(rest)-size)
	}
	r.Data = rest[size : size+length : size+length]
	if c.packs != nil {
		if r.Data, err = c.packs[r.Slot].unpack(d, r.Data); err != nil {
			return r, 0, err
		}
	}
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

var errCutOff = malformed(CutOff, "the datagram ends before it")

func (c *Codec) decodeSlot(rest []byte, r *DatagramRecord) (size, length int, err error) {
	if len(rest) < 1 {
		return 0, 0, errCutOff
	}
	r.Slot = int(rest[0])
	if r.Slot >= len(c.entries) {
		return 0, 0, malformed(UnknownSlot, "slot %d, the forward list has %d entries", r.Slot, len(c.entries))
	}
	r.ID = c.entries[r.Slot].ID
	if c.packs != nil {
		return 1, c.packs[r.Slot].bytes, nil
	}
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
		return 0, 0, malformed(WrongIdentifier, "identifier field %X has bits beyond the identifier", rest[:size])
	}
	length = int(rest[size])
	if length > bus.MaxLength {
		return 0, 0, malformed(WrongLength, "length %d, a frame has at most %d bytes", length, bus.MaxLength)
	}
	r.Slot = -1
	if slot, ok := c.table.Lookup(r.ID); ok {
		r.Slot = slot
	}
	return size + 1, length, nil
}
