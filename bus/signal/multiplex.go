package signal

import (
	"errors"
	"fmt"

	"stalegauge/bus"
)

// offPage is a page that no selector carries.
const offPage = 1 << maxSelectorBits

// Present reports whether data of the message carry its signal of this index: all
// bits of the signal lie in the data, and so do those of the selectors up its
// branch, which have the values of the branch. On a value of a selector that no
// signal names all signals without branch are present. It panics for an index
// that is none. A [Decoder] gives the same answers faster.
func (m *Message) Present(signal int, data []byte) bool {
	s := &m.Signals[signal]
	if s.Absent || !bus.FieldInside(len(data), s.Start, s.Bits, s.BigEndian) {
		return false
	}
	for s.Parent != NoParent {
		parent := &m.Signals[s.Parent]
		raw, ok := parent.Raw(data)
		if !ok || !contains(s.Values, raw) {
			return false
		}
		s = parent
	}
	return true
}

// spreadAbsence marks the signals behind selectors that no data carry. No circle
// is left without mark.
func (m *Message) spreadAbsence() {
	known := make([]bool, len(m.Signals))
	var path []int
	for i := range m.Signals {
		at := i
		for path = path[:0]; at != NoParent && !known[at] && !m.Signals[at].Absent; at = m.Signals[at].Parent {
			path = append(path, at)
		}
		for _, on := range path {
			known[on] = true
			m.Signals[on].Absent = at != NoParent && m.Signals[at].Absent
		}
	}
}

// paging returns the index of the selector whose values are the pages: the first
// that lies on no branch. A wider one than [Selector] allows is none.
func (m *Message) paging() int {
	for i := range m.Signals {
		if s := &m.Signals[i]; s.IsSelector && s.Parent == NoParent && !s.Absent && s.Bits <= maxSelectorBits {
			return i
		}
	}
	return NoParent
}

// setPages fills in the pages of the definitions.
func (m *Message) setPages() {
	selector := m.paging()
	for i := range m.Signals {
		s := &m.Signals[i]
		switch {
		case s.Parent == NoParent && !s.Absent:
			s.Page = AnyPage
		case s.Parent == selector && !s.Absent && len(s.Values) == 1 && s.Values[0].Low == s.Values[0].High && s.Values[0].Low < offPage:
			s.Page = int(s.Values[0].Low)
		default:
			s.Page = offPage
		}
	}
}

// Paged returns the message as one selector and definitions with pages, which is
// what messages made by simulation have: sel is nil for a message without pages.
// The page is the value of the first selector that lies on no branch.
//
// The error has a line for each present signal that this cannot express, which
// is left out of definitions: one on several values of the selector, behind
// another selector, or of a selector wider than 16 bits. The others are right
// without it. [Message.PageOf] tells apart everything that the message carries.
func (m *Message) Paged() (sel *Selector, definitions []Definition, err error) {
	at := m.paging()
	if at != NoParent {
		s := &m.Signals[at]
		sel = &Selector{s.Start, s.Bits, s.BigEndian}
	}
	var wrong []error
	for i := range m.Signals {
		s := &m.Signals[i]
		switch {
		case s.Absent:
		case s.Page != offPage:
			definitions = append(definitions, s.Definition)
		default:
			wrong = append(wrong, fmt.Errorf("message %s, signal %s: %s", m.Name, s.Name, m.notPaged(s, at)))
		}
	}
	return sel, definitions, errors.Join(wrong...)
}

func (m *Message) notPaged(s *MessageSignal, at int) string {
	parent := &m.Signals[s.Parent]
	switch {
	case parent.Parent != NoParent:
		return fmt.Sprintf("it lies behind two selectors, %s and %s; only one can be simulated", m.Signals[parent.Parent].Name, parent.Name)
	case parent.Bits > maxSelectorBits:
		return fmt.Sprintf("its selector %s has %s; one of at most %d can be simulated", parent.Name, bitsText(parent.Bits), maxSelectorBits)
	case s.Parent != at:
		return fmt.Sprintf("its selector %s is the message's second; only the first, %s, can be simulated", parent.Name, m.Signals[at].Name)
	}
	return fmt.Sprintf("it lies on several values of the selector %s; a signal on one value can be simulated", parent.Name)
}

// maxPageBits keeps page numbers within an int everywhere.
const maxPageBits = 31

// PageBits returns the width of the numbers of [Message.PageOf]: the bits of all
// selectors together, 0 for a message without pages. ok is false above 31 bits.
func (m *Message) PageBits() (bits int, ok bool) {
	for i := range m.Signals {
		if s := &m.Signals[i]; s.IsSelector && !s.Absent {
			bits += s.Bits
		}
	}
	return bits, bits <= maxPageBits
}

// PageOf returns the page that data of the message carry: the values of all its
// selectors as one number, the first in the highest bits, with 0 for those that
// are not present. So data that carry different branches have different pages,
// and with one selector the page is its value. ok is false where a selector that
// lies on no branch is not in the data, or [Message.PageBits] has no number.
func (m *Message) PageOf(data []byte) (page int, ok bool) {
	if _, ok := m.PageBits(); !ok {
		return 0, false
	}
	for i := range m.Signals {
		s := &m.Signals[i]
		if !s.IsSelector || s.Absent {
			continue
		}
		page <<= s.Bits
		if m.Present(i, data) {
			raw, _ := s.Raw(data)
			page |= int(raw)
		} else if s.Parent == NoParent {
			return 0, false
		}
	}
	return page, true
}
