package mask

import (
	"errors"
	"fmt"

	"stalegauge/bus"
)

// Program is a setting of a controller's filter registers. It is not changed
// after it was made, and safe for use by several goroutines.
type Program struct {
	shape   Shape
	words   []Word
	filters []filter // in the order in which the controller tries them
	lists   *lists   // of the shape elements, which has no filters
	// table says, for data frames and for remote frames, which base identifiers
	// pass; nil where that depends on data.
	table *[2][(bus.MaxBaseNumber + 1) / 64]uint64
}

// Word is one register.
type Word struct {
	Name  string
	Bits  int // 8, 16 or 32
	Value uint32
}

// filter is a code with its mask.
type filter struct {
	view view
	code uint32
	care uint32 // bits that are compared
	name string
}

// accepts is the comparison of one filter.
func (f *filter) accepts(frame *bus.Frame) bool {
	value, compared, ok := f.view.word(frame)
	return ok && (value^f.code)&f.care&compared == 0
}

// New makes a program from register words, in the order of [Info.Words]. The
// error says everything that is wrong with them.
func New(shape Shape, words []uint32) (*Program, error) {
	p := &Program{shape: shape}
	var err error
	switch shape.family {
	case oneCode:
		return nil, errors.New("with given words say how the code is used: one-code-single or one-code-dual")
	case single, dual, eightBit:
		err = p.oneCode(words)
	case twoMasks:
		err = p.twoMasks(words)
	case banks:
		err = p.banks(words)
	case elements:
		err = p.elements(words)
	}
	if err != nil {
		return nil, err
	}
	p.tabulate()
	return p, nil
}

// tabulate fills the table, unless a filter compares data.
func (p *Program) tabulate() {
	for i := range p.filters {
		if f := &p.filters[i]; f.care&f.view.look(0, false).free != 0 {
			return
		}
	}
	table := new([2][(bus.MaxBaseNumber + 1) / 64]uint64)
	for kind := range table {
		for id := range bus.ID(bus.MaxBaseNumber + 1) {
			if p.Accepts(&bus.Frame{ID: id, Kind: bus.Kind(kind)}) {
				table[kind][id/64] |= 1 << (id % 64)
			}
		}
	}
	p.table = table
}

// must makes a program of words that the package made itself.
func must(shape Shape, words []uint32) *Program {
	p, err := New(shape, words)
	if err != nil {
		panic("mask: " + err.Error())
	}
	return p
}

// Shape returns the shape that the words are for.
func (p *Program) Shape() Shape { return p.shape }

// Words returns the registers in order. The slice is the caller's.
func (p *Program) Words() []Word { return append([]Word(nil), p.words...) }

// Accepts reports whether the controller receives a data or remote frame. It
// does not allocate. For base frames its cost is that of a look-up, unless data
// are compared; otherwise it grows with the number of filters.
func (p *Program) Accepts(f *bus.Frame) bool {
	if p.table != nil && f.ID <= bus.MaxBaseNumber && f.Kind <= bus.Remote {
		return p.table[f.Kind][f.ID/64]>>(f.ID%64)&1 != 0
	}
	if p.lists != nil {
		_, ok := p.lists.decide(f)
		return ok
	}
	for i := range p.filters {
		if p.filters[i].accepts(f) {
			return true
		}
	}
	return false
}

// Match returns which filter lets a frame pass, in words, and false if none does.
func (p *Program) Match(f *bus.Frame) (by string, ok bool) {
	if p.lists != nil {
		return p.lists.decide(f)
	}
	for i := range p.filters {
		if p.filters[i].accepts(f) {
			return p.filters[i].name, true
		}
	}
	return "", false
}

// count checks the number of words.
func count(words []uint32, want int, what string) error {
	if len(words) != want {
		return fmt.Errorf("%d words, expected %d: %s", len(words), want, what)
	}
	return nil
}

func (p *Program) oneCode(words []uint32) error {
	if err := count(words, 2, p.shape.Info().Words); err != nil {
		return err
	}
	code, care, bits := words[0], ^words[1], 32
	switch p.shape.family {
	case single:
		p.filters = []filter{{viewSingle, code, care, "code"}}
	case dual:
		p.filters = []filter{{viewFirst, code, care, "code, upper half"}, {viewSecond, code, care, "code, lower half"}}
	default:
		for i, w := range words {
			if w > 0xFF {
				return fmt.Errorf("word %d: %X does not fit 8 bits", i+1, w)
			}
		}
		bits = 8
		p.filters = []filter{{viewEight, code, care, "code"}}
	}
	p.words = []Word{{"code", bits, words[0]}, {"mask", bits, words[1]}}
	return nil
}

// twoMasksUnused are the bits of a mask or code that hold nothing.
const twoMasksUnused = 1<<20 | 1<<18

func (p *Program) twoMasks(words []uint32) error {
	if err := count(words, 8, p.shape.Info().Words); err != nil {
		return err
	}
	code, care := 0, uint32(0)
	for i, w := range words {
		if i == 0 || i == 3 {
			care = w&^uint32(twoMasksUnused) | extendedTwoMasks // the width is always compared
			p.words = append(p.words, Word{fmt.Sprintf("mask %d", i/3), 32, w})
			continue
		}
		name := fmt.Sprintf("code %d", code)
		p.words = append(p.words, Word{name, 32, w})
		p.filters = append(p.filters, filter{viewTwoMasks, w, care, name})
		code++
	}
	return nil
}

// banks reads the registers of the banks. Of the filters that let a frame pass
// the one that is named is that of the highest priority: 32 before 16 bits,
// identifiers before masks, then the lower number (controller reference manual).
func (p *Program) banks(words []uint32) error {
	n := p.shape.first
	if err := count(words, 3+2*n, p.shape.Info().Words); err != nil {
		return err
	}
	for i, name := range []string{"active", "scale", "mode"} {
		if words[i]>>n != 0 {
			return fmt.Errorf("word %d, %s: %X has bits beyond the %d banks", i+1, name, words[i], n)
		}
		p.words = append(p.words, Word{name, 32, words[i]})
	}
	var ranked [4][]filter
	for i := range n {
		one, two := words[3+2*i], words[4+2*i]
		p.words = append(p.words, Word{fmt.Sprintf("bank %d", i), 32, one}, Word{fmt.Sprintf("bank %d", i), 32, two})
		if words[0]>>i&1 == 0 {
			continue
		}
		name := func(what string) string { return fmt.Sprintf("bank %d, %s", i, what) }
		const all, half = 0xFFFFFFFF, 0xFFFF
		switch words[1]>>i&1<<1 | words[2]>>i&1 {
		case 3:
			ranked[0] = append(ranked[0], filter{view32, one, all, name("identifier 0")}, filter{view32, two, all, name("identifier 1")})
		case 2:
			ranked[1] = append(ranked[1], filter{view32, one, two, name("mask")})
		case 1:
			for k, w := range []uint32{one & half, one >> 16, two & half, two >> 16} {
				ranked[2] = append(ranked[2], filter{view16, w, half, name(fmt.Sprintf("identifier %d", k))})
			}
		default:
			ranked[3] = append(ranked[3], filter{view16, one & half, one >> 16, name("mask 0")}, filter{view16, two & half, two >> 16, name("mask 1")})
		}
	}
	for _, filters := range ranked {
		p.filters = append(p.filters, filters...)
	}
	return nil
}
