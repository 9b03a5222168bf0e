package signal

import (
	"errors"
	"fmt"
	"slices"

	"stalegauge/bus"
)

// CheckLayout reports all mistakes of the signals of a message of so many bytes
// as one error of several lines: those of each definition and of the selector,
// signals that reach beyond the message, share a name, or overlap. Signals on
// different pages may do both. The selector's own bits may be read by a signal
// on [AnyPage] that lies exactly where it does. sel is nil for a message without
// pages.
func CheckLayout(length int, defs []Definition, sel *Selector) error {
	var wrong []error
	if length < 0 || length > bus.MaxLength {
		return fmt.Errorf("a message of %d bytes, expected 0 to %d", length, bus.MaxLength)
	}
	selectorGood := sel != nil
	if sel != nil {
		if err := sel.Check(); err != nil {
			wrong, selectorGood = append(wrong, err), false
		} else if err := insideMessage("page selector", length, sel.Start, sel.Bits, sel.BigEndian); err != nil {
			wrong, selectorGood = append(wrong, err), false
		}
	}
	var placed []*Definition
	names := map[string][]int{}
	for i := range defs {
		d := &defs[i]
		if err := d.Check(); err != nil {
			wrong = append(wrong, err)
			continue
		}
		if meets(names[d.Name], d.Page) {
			wrong = append(wrong, fmt.Errorf("signal %s: the name is there twice in one message", d.title()))
		}
		names[d.Name] = append(names[d.Name], d.Page)
		if d.Page != AnyPage {
			if err := pageMistake(d, sel, selectorGood); err != nil {
				wrong = append(wrong, err)
			}
		}
		if err := insideMessage("signal "+d.title(), length, d.Start, d.Bits, d.BigEndian); err != nil {
			wrong = append(wrong, err)
			continue
		}
		placed = append(placed, d)
	}
	if !selectorGood {
		sel = nil
	}
	return errors.Join(append(wrong, overlaps(placed, sel)...)...)
}

// meets reports whether data of one message can carry a signal on this page beside
// one on one of the others.
func meets(others []int, page int) bool {
	return len(others) > 0 && (page == AnyPage || slices.Contains(others, AnyPage) || slices.Contains(others, page))
}

func pageMistake(d *Definition, sel *Selector, good bool) error {
	switch {
	case sel == nil:
		return fmt.Errorf("signal %s: lies on page %d, but the message has no page selector", d.title(), d.Page)
	case good && d.Page >= 1<<sel.Bits:
		return fmt.Errorf("signal %s: page %d, but a selector of %s has pages 0 to %d only", d.title(), d.Page, bitsText(sel.Bits), 1<<sel.Bits-1)
	}
	return nil
}

func insideMessage(what string, length, start, width int, bigEndian bool) error {
	if bus.FieldInside(length, start, width, bigEndian) {
		return nil
	}
	_, last := bus.FieldBytes(start, width, bigEndian)
	order := "little-endian"
	if bigEndian {
		order = "big-endian"
	}
	room := "no bytes"
	switch {
	case length == 1:
		room = "1 byte (0)"
	case length > 1:
		room = fmt.Sprintf("%d bytes (0 to %d)", length, length-1)
	}
	return fmt.Errorf("%s: %s %s from start bit %d reach byte %d, but the message has %s", what, bitsText(width), order, start, last, room)
}

// overlaps returns, for each signal that shares a bit of a page with the selector
// or with another signal, one error that names the first such bit. One for each
// pair would grow with the square of the signals.
func overlaps(defs []*Definition, sel *Selector) (wrong []error) {
	always := &owners{}
	pages := map[int]*owners{}
	if sel != nil {
		always.selector = fieldBits(sel.Start, sel.Bits, sel.BigEndian)
	}
	// Signals on every page come first: then each signal of one page meets them.
	for _, d := range defs {
		if d.Page == AnyPage {
			wrong = appendMistake(wrong, always.claim(d, nil, !sel.same(d)))
		}
	}
	for _, d := range defs {
		if d.Page == AnyPage {
			continue
		}
		if pages[d.Page] == nil {
			pages[d.Page] = &owners{}
		}
		wrong = appendMistake(wrong, pages[d.Page].claim(d, always, true))
	}
	return wrong
}

// same reports whether a signal reads the selector's own bits, on every page.
func (s *Selector) same(d *Definition) bool {
	return s != nil && d.Page == AnyPage && d.Start == s.Start && d.Bits == s.Bits && d.BigEndian == s.BigEndian
}

func appendMistake(wrong []error, err error) []error {
	if err != nil {
		wrong = append(wrong, err)
	}
	return wrong
}

// owners knows for each bit of a message whose it is.
type owners struct {
	selector bitSet
	signal   [8 * bus.MaxLength]*Definition
}

// claim gives the bits of a signal to it, as far as they are free, or returns an
// error with the first one that is not. always holds the bits that are taken on
// every page; nil if that is this one.
func (o *owners) claim(d *Definition, always *owners, checkSelector bool) (wrong error) {
	if always == nil {
		always = o
	}
	set := fieldBits(d.Start, d.Bits, d.BigEndian)
	for at := range o.signal {
		if !set.has(at) {
			continue
		}
		other := o.signal[at]
		if other == nil {
			other = always.signal[at]
		}
		switch {
		case wrong == nil && other != nil:
			wrong = fmt.Errorf("signal %s: overlaps signal %s in bit %d of byte %d", d.title(), other.title(), at&7, at>>3)
		case wrong == nil && checkSelector && always.selector.has(at):
			wrong = fmt.Errorf("signal %s: overlaps the page selector in bit %d of byte %d", d.title(), at&7, at>>3)
		}
		if other == nil {
			o.signal[at] = d
		}
	}
	return wrong
}

// bitSet is a set of the bits of a message by start bit number.
type bitSet [bus.MaxLength]byte

// fieldBits returns the bits of a field that lies in the longest message.
func fieldBits(start, width int, bigEndian bool) (set bitSet) {
	bus.WriteField(set[:], start, width, bigEndian, ^uint64(0))
	return set
}

func (s *bitSet) has(at int) bool { return s[at>>3]>>(at&7)&1 != 0 }
