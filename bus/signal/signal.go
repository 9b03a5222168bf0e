// Package signal decodes and encodes the signals in the data of a message.
//
// A [Definition] says where a signal lies and what its bits mean, and works at
// once; a [Codec] is compiled from one for the hot path. Both give the same
// numbers on every machine: no product and sum are fused.
package signal

import (
	"math"

	"stalegauge/bus"
)

// AnyPage marks a signal that is present on every page of its message.
const AnyPage = -1

// Definition says where a signal lies in its message and what its bits mean:
// value = raw*Scale + Offset.
type Definition struct {
	Name      string
	Unit      string
	Start     int // start bit: bit 8n+b is bit b (0 = least) of byte n; least significant bit of a little-endian signal, most significant of a big-endian one
	Bits      int // 1..64
	BigEndian bool
	Signed    bool // two's complement; without meaning for Float
	Float     bool // IEEE 754, Bits 32 or 64
	Scale     float64
	Offset    float64
	Page      int // value of the message's selector on whose page the signal lies, or AnyPage
}

// Selector is the field of a paged message that says which page it carries.
type Selector struct {
	Start     int // as in Definition
	Bits      int // 1..16
	BigEndian bool
}

// Page returns the page that a message with these data carries, and false if the
// selector does not lie in the data.
func (s *Selector) Page(data []byte) (page int, ok bool) {
	raw, ok := bus.ReadField(data, s.Start, s.Bits, s.BigEndian)
	return int(raw), ok
}

// PutPage writes the page into the data. It returns false, and writes nothing,
// if the selector does not lie in the data or has no such page.
func (s *Selector) PutPage(data []byte, page int) bool {
	if page < 0 || s.Bits < 1 || s.Bits > maxSelectorBits || page >= 1<<s.Bits {
		return false
	}
	return bus.WriteField(data, s.Start, s.Bits, s.BigEndian, uint64(page))
}

// Present reports whether a message with these data carries the signal: all its
// bits lie in the data, and the page is the signal's. sel is nil for a message
// without pages; then only signals on [AnyPage] are present.
func (d *Definition) Present(sel *Selector, data []byte) bool {
	if !bus.FieldInside(len(data), d.Start, d.Bits, d.BigEndian) {
		return false
	}
	if d.Page == AnyPage {
		return true
	}
	if sel == nil {
		return false
	}
	page, ok := sel.Page(data)
	return ok && page == d.Page
}

// Raw returns the signal's bits as they lie in the data, without sign, and false
// if not all of them do.
func (d *Definition) Raw(data []byte) (raw uint64, ok bool) {
	return bus.ReadField(data, d.Start, d.Bits, d.BigEndian)
}

// PutRaw writes the low bits of raw into the data and leaves all other bits as
// they are. It panics if the signal does not lie in the data: a message is as
// long as its signals need, see [CheckLayout].
func (d *Definition) PutRaw(data []byte, raw uint64) {
	if !bus.WriteField(data, d.Start, d.Bits, d.BigEndian, raw) {
		panic("signal: PutRaw: the signal does not lie in the data")
	}
}

// Decode returns the signal's physical value, and false if not all its bits lie
// in the data.
func (d *Definition) Decode(data []byte) (value float64, ok bool) {
	raw, ok := d.Raw(data)
	if !ok {
		return 0, false
	}
	return d.Value(raw), true
}

// Encode writes a physical value into the data, as [Definition.ToRaw] rounds and
// clips it. It panics if the signal does not lie in the data.
func (d *Definition) Encode(data []byte, value float64) (clipped bool) {
	raw, clipped := d.ToRaw(value)
	d.PutRaw(data, raw)
	return clipped
}

// Value returns the physical value of raw bits.
func (d *Definition) Value(raw uint64) float64 {
	var x float64
	switch {
	case d.Float && d.Bits == 32:
		x = float64(math.Float32frombits(uint32(raw)))
	case d.Float:
		x = math.Float64frombits(raw)
	case d.Signed:
		x = float64(int64(raw<<(64-d.Bits)) >> (64 - d.Bits))
	default:
		x = float64(raw)
	}
	// The conversion keeps the compiler from fusing the two operations.
	return float64(x*d.Scale) + d.Offset
}

// ToRaw returns the raw bits of a physical value: the nearest number of the
// signal's resolution (of two equally near the even one), clipped to the raw
// range. It reports whether it was clipped, by which is meant that the value lay
// outside the range by half a step or more. For a value that is not a number it
// gives 0, clipped; a Float signal carries it.
func (d *Definition) ToRaw(value float64) (raw uint64, clipped bool) {
	x := (value - d.Offset) / d.Scale
	switch {
	case d.Float && d.Bits == 32:
		return toFloat32(x, value)
	case d.Float:
		return toFloat64(x, value)
	}
	low, above := d.bounds()
	x, clipped = math.RoundToEven(x), false
	switch {
	case x < low:
		x, clipped = low, true
	case x >= above:
		return d.greatest(), true
	case x != x:
		return 0, true
	}
	return d.integer(x), clipped
}

// toFloat32 rounds the number x of a finite or infinite value to 32 bits. A
// finite value beyond their range is clipped to the largest finite number.
func toFloat32(x, value float64) (raw uint64, clipped bool) {
	narrow := float32(x)
	if math.IsInf(float64(narrow), 0) && !math.IsInf(value, 0) {
		return uint64(math.Float32bits(float32(math.Copysign(math.MaxFloat32, x)))), true
	}
	return uint64(math.Float32bits(narrow)), false
}

// toFloat64 is toFloat32 for 64 bits, which a small scale can exceed.
func toFloat64(x, value float64) (raw uint64, clipped bool) {
	if math.IsInf(x, 0) && !math.IsInf(value, 0) {
		return math.Float64bits(math.Copysign(math.MaxFloat64, x)), true
	}
	return math.Float64bits(x), false
}

// bounds returns the least raw number of an integer signal and the first one
// above its greatest; unlike the greatest itself both are exact as float64.
func (d *Definition) bounds() (low, above float64) {
	if d.Signed {
		half := math.Ldexp(1, d.Bits-1)
		return -half, half
	}
	return 0, math.Ldexp(1, d.Bits)
}

// greatest returns the raw bits of the greatest number of an integer signal.
func (d *Definition) greatest() uint64 {
	if d.Signed {
		return d.mask() >> 1
	}
	return d.mask()
}

func (d *Definition) mask() uint64 { return ^uint64(0) >> (64 - d.Bits) }

// integer returns the raw bits of a whole number inside the range.
func (d *Definition) integer(x float64) uint64 {
	if d.Signed {
		return uint64(int64(x)) & d.mask()
	}
	return uint64(x)
}
