package bridge

import (
	"bytes"

	"stalegauge/bus/signal"
)

// packing is how the layout packed writes the records of one slot: all pages in
// equally many bytes, as many as the longest needs.
type packing struct {
	selector *signal.Selector
	fields   []packedField // the selector first
	bytes    int
	length   int // of the data
}

type packedField struct {
	codec signal.Codec
	bits  int
	page  int
}

// newPacking lays out an entry without mistakes. An entry without fields has all
// its data.
func newPacking(e *Forward) packing {
	p := packing{selector: e.Selector, length: e.Length, bytes: e.Length}
	if len(e.Fields) == 0 {
		return p
	}
	shared, most := 0, 0
	pages := map[int]int{}
	add := func(f Field) {
		d := signal.Definition{Name: "field", Start: f.Start, Bits: f.Bits, BigEndian: f.BigEndian, Scale: 1, Page: f.Page}
		p.fields = append(p.fields, packedField{signal.Compile(&d), f.Bits, f.Page})
		if f.Page == signal.AnyPage {
			shared += f.Bits
			return
		}
		pages[f.Page] += f.Bits
		most = max(most, pages[f.Page])
	}
	if s := e.Selector; s != nil {
		add(Field{s.Start, s.Bits, s.BigEndian, signal.AnyPage})
	}
	for _, f := range e.Fields {
		add(f)
	}
	p.bytes = (shared + most + 7) / 8
	return p
}

// pack appends the fields of data, which has the length of the list.
func (p *packing) pack(dst []byte, page int, data []byte) []byte {
	if p.fields == nil {
		return append(dst, data...)
	}
	end := len(dst) + p.bytes
	var word uint64 // the last used bits of it are still to be written
	used := 0
	for i := range p.fields {
		f := &p.fields[i]
		if f.page != signal.AnyPage && f.page != page {
			continue
		}
		raw, _ := f.codec.Raw(data)
		for left := f.bits; left > 0; {
			n := min(left, 8-used)
			left -= n
			word = word<<n | raw>>left&(1<<n-1)
			if used += n; used == 8 {
				dst = append(dst, byte(word))
				used = 0
			}
		}
	}
	if used > 0 {
		dst = append(dst, byte(word<<(8-used)))
	}
	for len(dst) < end {
		dst = append(dst, 0)
	}
	return dst
}

var errPacked = malformed(WrongPacking, "packed bits that no record has: overlapping fields differ, or bits behind the fields are set")

// unpack returns the data of a record from its packed bytes, in the room of d.
func (p *packing) unpack(d *Datagram, packed []byte) ([]byte, error) {
	if p.fields == nil {
		return packed, nil
	}
	from := len(d.room)
	d.room = append(d.room, make([]byte, p.length)...)
	data := d.room[from:len(d.room):len(d.room)]
	page, at := NoPage, 0
	for i := range p.fields {
		f := &p.fields[i]
		if f.page != signal.AnyPage && f.page != page {
			continue
		}
		f.codec.PutRaw(data, readBits(packed, at, f.bits))
		at += f.bits
		if i == 0 && p.selector != nil {
			page, _ = p.selector.Page(data)
		}
	}
	end := len(d.room)
	d.room = p.pack(d.room, page, data)
	again := d.room[end:]
	d.room = d.room[:end]
	if !bytes.Equal(again, packed) {
		return nil, errPacked
	}
	return data, nil
}

// readBits returns the bits from at on, most significant first.
func readBits(b []byte, at, bits int) (raw uint64) {
	for bits > 0 {
		n := min(bits, 8-at&7)
		part := b[at>>3] >> (8 - at&7 - n) & (1<<n - 1)
		raw = raw<<n | uint64(part)
		at += n
		bits -= n
	}
	return raw
}
