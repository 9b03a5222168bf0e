package mask

import (
	"errors"
	"fmt"

	"stalegauge/bus"
)

// The layout of elements and rules is that of a common FD controller (controller
// data sheet, values from memory).

// The types of an element, as its register has them.
const (
	elementRange uint32 = iota // from one identifier to another
	elementPair                // one identifier or the other
	elementMask                // code and mask
	elementOff                 // base: disabled; extended: a range without the extended mask
)

// reject is the action of an element that turns frames away. 0 does nothing,
// the others but 7 store the frame; 7 stores it too, in a buffer of its own,
// whatever its type says then an exact identifier.
const (
	actionOff    = 0
	actionReject = 3
	actionMark   = 4 // a mark of priority, without storing
	actionOwn    = 7
)

// element is one of a list, worked out.
type element struct {
	kind   uint32
	action uint32
	a, b   uint32
	name   string
}

func (e *element) matches(id, masked uint32) bool {
	if e.action == actionOwn {
		return id == e.a
	}
	switch e.kind {
	case elementRange:
		return e.a <= masked && masked <= e.b
	case elementPair:
		return masked == e.a || masked == e.b
	case elementMask:
		return (masked^e.a)&e.b == 0
	}
	return e.a <= id && id <= e.b // extended only: base elements of that type are left out
}

// lists are the filters of the shape elements.
type lists struct {
	base, extended []element
	and            uint32 // extended identifiers are reduced to these bits first
	rules          uint32
}

// The bits of the global rules: remote frames are turned away; what no element
// matches is taken (0, 1) or turned away (2, 3).
const (
	ruleRemoteExtended = 1 << 0
	ruleRemoteBase     = 1 << 1
	ruleExtended       = 2 // shift
	ruleBase           = 4 // shift
	ruleBits           = 0x3F
)

// decide returns what lets a frame pass, in words, and whether it passes.
func (l *lists) decide(f *bus.Frame) (by string, ok bool) {
	list, id, masked := l.base, f.ID.Number(), f.ID.Number()
	remote, rest := uint32(ruleRemoteBase), l.rules>>ruleBase&3
	if f.ID.IsExtended() {
		list, masked = l.extended, id&l.and
		remote, rest = ruleRemoteExtended, l.rules>>ruleExtended&3
	}
	if f.Kind == bus.Remote && l.rules&remote != 0 {
		return "", false
	}
	for i := range list {
		if e := &list[i]; e.matches(id, masked) {
			return e.name, e.action != actionReject && e.action != actionMark
		}
	}
	return "the rule for the rest", rest < 2
}

func (p *Program) elements(words []uint32) error {
	const fixed = 3
	if len(words) < fixed {
		return count(words, fixed, p.shape.Info().Words)
	}
	base, extended := int(words[2]&0xFF), int(words[2]>>8&0xFF)
	switch {
	case words[2]>>16 != 0 || base > p.shape.first || extended > p.shape.second:
		return fmt.Errorf("word 3, list sizes: %X stands for %d base and %d extended elements, the shape has %d and %d",
			words[2], base, extended, p.shape.first, p.shape.second)
	case words[0]&^uint32(ruleBits) != 0:
		return fmt.Errorf("word 1, global rules: %X has bits beyond %X", words[0], ruleBits)
	case words[1] > bus.MaxExtendedNumber:
		return fmt.Errorf("word 2, extended mask: %X is above %X", words[1], bus.MaxExtendedNumber)
	}
	if err := count(words, fixed+base+2*extended, p.shape.Info().Words); err != nil {
		return err
	}
	l := &lists{rules: words[0], and: words[1]}
	p.words = []Word{{"global rules", 32, words[0]}, {"extended mask", 32, words[1]}, {"list sizes", 32, words[2]}}
	var mistakes []error
	for i, w := range words[fixed : fixed+base] {
		name := fmt.Sprintf("base element %d", i)
		p.words = append(p.words, Word{name, 32, w})
		e := element{kind: w >> 30, action: w >> 27 & 7, a: w >> 16 & bus.MaxBaseNumber, b: w & bus.MaxBaseNumber, name: name}
		if e.action != actionOff && (e.kind != elementOff || e.action == actionOwn) {
			l.base = append(l.base, e)
		}
	}
	for i := range extended {
		name := fmt.Sprintf("extended element %d", i)
		one, two := words[fixed+base+2*i], words[fixed+base+2*i+1]
		p.words = append(p.words, Word{name, 32, one}, Word{name, 32, two})
		if two>>29&1 != 0 {
			mistakes = append(mistakes, fmt.Errorf("word %d, %s: bit 29 of %X holds nothing and must be 0", fixed+base+2*i+2, name, two))
		}
		e := element{kind: two >> 30, action: one >> 29, a: one & bus.MaxExtendedNumber, b: two & bus.MaxExtendedNumber, name: name}
		if e.action != actionOff {
			l.extended = append(l.extended, e)
		}
	}
	p.lists = l
	return errors.Join(mistakes...)
}

// base and extended words of an element.
func baseElement(kind, action, a, b uint32) uint32 { return kind<<30 | action<<27 | a<<16 | b }

func extendedElement(kind, action, a, b uint32) [2]uint32 {
	return [2]uint32{action<<29 | a, kind<<30 | b}
}
