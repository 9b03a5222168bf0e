package signal

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"stalegauge/bus"
)

const maxSelectorBits = 16

// Check reports all mistakes of the definition as one error of several lines. A
// signal may lie anywhere in [bus.MaxLength] bytes; [CheckLayout] looks at the
// length of the message.
func (d *Definition) Check() error {
	var wrong []error
	add := func(format string, args ...any) {
		wrong = append(wrong, fmt.Errorf("signal %s: "+format, append([]any{d.title()}, args...)...))
	}
	if d.Name == "" {
		add("has no name")
	}
	if !printable(d.Name) {
		add("the name holds characters that cannot be printed")
	}
	if !printable(d.Unit) {
		add("the unit %q holds characters that cannot be printed", d.Unit)
	}
	for _, text := range fieldMistakes(d.Start, d.Bits, 64, d.BigEndian) {
		add("%s", text)
	}
	if d.Float && d.Bits != 32 && d.Bits != 64 {
		add("a floating point number of %d bits, expected 32 or 64", d.Bits)
	}
	if d.Scale == 0 || math.IsNaN(d.Scale) || math.IsInf(d.Scale, 0) {
		add("scale %v, expected a number other than 0", d.Scale)
	}
	if math.IsNaN(d.Offset) || math.IsInf(d.Offset, 0) {
		add("offset %v, expected a number", d.Offset)
	}
	if d.Page < AnyPage {
		add("page %d, expected 0 or above, or %d for every page", d.Page, AnyPage)
	}
	if len(wrong) == 0 && !d.Float {
		if low, high := d.Range(); math.IsInf(low, 0) || math.IsInf(high, 0) {
			add("scale %v makes values too large for a floating point number", d.Scale)
		}
	}
	return errors.Join(wrong...)
}

// Check reports all mistakes of the selector as one error of several lines.
func (s *Selector) Check() error {
	var wrong []error
	for _, text := range fieldMistakes(s.Start, s.Bits, maxSelectorBits, s.BigEndian) {
		wrong = append(wrong, errors.New("page selector: "+text))
	}
	return errors.Join(wrong...)
}

func fieldMistakes(start, width, widest int, bigEndian bool) (wrong []string) {
	const bitsInAll = 8 * bus.MaxLength
	startGood := start >= 0 && start < bitsInAll
	if !startGood {
		wrong = append(wrong, fmt.Sprintf("start bit %d, expected 0 to %d", start, bitsInAll-1))
	}
	widthGood := width >= 1 && width <= widest
	if !widthGood {
		wrong = append(wrong, fmt.Sprintf("%d bits, expected 1 to %d", width, widest))
	}
	if startGood && widthGood && !bus.FieldInside(bus.MaxLength, start, width, bigEndian) {
		wrong = append(wrong, fmt.Sprintf("%s from start bit %d reach beyond %d bytes, the longest message", bitsText(width), start, bus.MaxLength))
	}
	return wrong
}

func (d *Definition) title() string {
	const most = 40
	name := d.Name
	if runes := []rune(name); len(runes) > most {
		name = string(runes[:most]) + "..."
	}
	return strconv.Quote(name)
}

func printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar })
}

func bitsText(n int) string {
	if n == 1 {
		return "1 bit"
	}
	return fmt.Sprintf("%d bits", n)
}
