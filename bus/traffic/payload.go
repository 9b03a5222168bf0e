package traffic

import (
	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// payload makes the data bytes of one message.
type payload struct {
	length   int
	pages    []int                 // as in Message
	bases    [][bus.MaxLength]byte // what never changes, for each of Pages; one where there are no pages
	bits     []bus.Bits            // length on the wire for each base, where nothing changes
	moving   []moving
	checksum bool // one of moving is a Checksum
}

// moving is a field whose value changes.
type moving struct {
	curve       Curve
	codec       signal.Codec
	page        int // value of the selector, or signal.AnyPage
	first, last int // bytes that the field touches
}

// on reports whether a page carries the field.
func (m *moving) on(page int) bool { return m.page == signal.AnyPage || m.page == page }

// newPayload makes the payload of a message without mistakes. curve starts the
// law of a field.
func newPayload(m *Message, shape *bus.Shape, curve func(field int) Curve) payload {
	p := payload{length: m.Length, pages: m.Pages, bases: make([][bus.MaxLength]byte, max(1, len(m.Pages)))}
	if m.Remote {
		p.length = 0
		p.bits = []bus.Bits{shape.Bits(nil)}
		return p
	}
	if len(m.Fields) == 0 && m.Selector == nil {
		fill(p.bases[0][:m.Length], m.ID)
	}
	for i := range m.Fields {
		p.addField(m, i, curve)
	}
	for j, page := range m.Pages {
		m.Selector.PutPage(p.bases[j][:m.Length], page)
	}
	if len(p.moving) == 0 {
		for j := range p.bases {
			p.bits = append(p.bits, shape.Bits(p.bases[j][:m.Length]))
		}
	}
	return p
}

func (p *payload) addField(m *Message, field int, curve func(field int) Curve) {
	d, kind := &m.Fields[field].Signal, m.Fields[field].Value.Kind
	if s := m.Selector; s != nil && d.Start == s.Start && d.Page == signal.AnyPage {
		return // it reads the selector, whose law is the order of the pages
	}
	if kind != Constant {
		first, last := bus.FieldBytes(d.Start, d.Bits, d.BigEndian)
		p.moving = append(p.moving, moving{curve(field), signal.Compile(d), d.Page, first, last})
		p.checksum = p.checksum || kind == Checksum
		return
	}
	for j := range p.bases {
		if d.Page == signal.AnyPage || d.Page == m.Pages[j] {
			d.Encode(p.bases[j][:m.Length], m.Fields[field].Value.Low)
		}
	}
}

// fill writes the bytes of a message of which nobody knows the signals. They
// follow from the identifier alone; about a quarter are 00 and an eighth FF, as
// unused bytes of a bus are.
func fill(data []byte, id bus.ID) {
	d := dice(id)
	for i := range data {
		switch x := d.next(); x >> 61 {
		case 0, 1:
			data[i] = 0
		case 2:
			data[i] = 0xff
		default:
			data[i] = byte(x)
		}
	}
}

// position returns the index into Pages of a release, 0 where there are none.
func (p *payload) position(number int64) int {
	if len(p.pages) < 2 {
		return 0
	}
	return int(uint64(number) % uint64(len(p.pages)))
}

// page returns the value of the selector of a release, -1 where there is none.
func (p *payload) page(number int64) int {
	if len(p.pages) == 0 {
		return signal.AnyPage
	}
	return p.pages[p.position(number)]
}

// write writes the payload of a release into f.
func (p *payload) write(f *bus.Frame, number int64) {
	position := 0
	if len(p.bases) > 1 {
		position = p.position(number)
	}
	base := &p.bases[position]
	if p.length <= 8 {
		*(*[8]byte)(f.Data[:8]) = *(*[8]byte)(base[:8])
	} else {
		copy(f.Data[:p.length], base[:p.length])
	}
	data := f.Data[:p.length]
	page := signal.AnyPage
	if len(p.pages) > 0 {
		page = p.pages[position]
	}
	for i := range p.moving {
		m := &p.moving[i]
		if !m.on(page) {
			continue
		}
		switch m.curve.value.Kind {
		case Counter:
			m.codec.PutRaw(data, uint64(number))
		case Checksum: // once the other bytes are known
		default:
			m.codec.Encode(data, m.curve.At(f.Released, number))
		}
	}
	if p.checksum {
		p.sum(data, page)
	}
}

// sum writes the checksums, each over what stands before it is written.
func (p *payload) sum(data []byte, page int) {
	for i := range p.moving {
		m := &p.moving[i]
		if m.curve.value.Kind != Checksum || !m.on(page) {
			continue
		}
		sum := byte(0)
		for j, b := range data {
			if j < m.first || j > m.last {
				sum += b
			}
		}
		m.codec.PutRaw(data, uint64(sum))
	}
}

// wire returns the exact length of the frame of a release, data being what write
// wrote.
func (p *payload) wire(shape *bus.Shape, data []byte, number int64) bus.Bits {
	if p.bits == nil {
		return shape.Bits(data)
	}
	if len(p.bits) == 1 {
		return p.bits[0]
	}
	return p.bits[p.position(number)]
}
