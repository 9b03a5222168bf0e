package signal

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// Codec is a definition made ready for the hot path: it loads and stores whole
// words, has no loop over bits and does not allocate. Its results are those of
// the [Definition] it was compiled from. The zero value is of no use; a Codec may
// be copied and used by several goroutines.
type Codec struct {
	mask      uint64
	scale     float64
	offset    float64
	low       float64 // least number, and the first above the greatest
	above     float64
	greatest  uint64
	form      form
	bigEndian bool
	first     uint8 // first byte
	last      uint8 // last byte
	shift     uint8 // bits below the field in the first 8 bytes of the data, read in its byte order
	within    uint8 // bits below the field in the 8 bytes from first
	over      uint8 // bits of the field in a ninth byte from first
	sign      uint8 // 64 - width
}

type form uint8

const (
	formUnsigned form = iota
	formSigned
	formFloat32
	formFloat64
)

// Compile makes the codec of a definition. It panics where [Definition.Check]
// has an error.
func Compile(d *Definition) Codec {
	if err := d.Check(); err != nil {
		panic("signal: Compile: " + err.Error())
	}
	c := compileField(d.Start, d.Bits, d.BigEndian)
	c.scale, c.offset = d.Scale, d.Offset
	c.low, c.above = d.bounds()
	c.greatest = d.greatest()
	switch {
	case d.Float && d.Bits == 32:
		c.form = formFloat32
	case d.Float:
		c.form = formFloat64
	case d.Signed:
		c.form = formSigned
	}
	return c
}

// CompileSelector makes a codec whose [Codec.Raw] is the page. It panics where
// [Selector.Check] has an error.
func CompileSelector(s *Selector) Codec {
	if err := s.Check(); err != nil {
		panic("signal: CompileSelector: " + err.Error())
	}
	c := compileField(s.Start, s.Bits, s.BigEndian)
	c.scale, c.above, c.greatest = 1, math.Ldexp(1, s.Bits), c.mask
	return c
}

func compileField(start, width int, bigEndian bool) Codec {
	c := Codec{
		mask:      ^uint64(0) >> (64 - width),
		bigEndian: bigEndian,
		first:     uint8(start >> 3),
		sign:      uint8(64 - width),
	}
	before := start & 7 // bits of the first byte that are passed over
	if bigEndian {
		before = 7 - before
	}
	end := before + width
	c.last = c.first + uint8((end-1)>>3)
	if end > 64 {
		c.over = uint8(end - 64)
	}
	c.within = uint8(before)
	if bigEndian {
		c.within = uint8(max(0, 64-end))
	}
	// Both are right only where the field lies in the first 8 bytes, and there
	// only are they used.
	c.shift = uint8(start & 63)
	if bigEndian {
		c.shift = uint8((64 - 8*int(c.first) - end) & 63)
	}
	return c
}

// Raw returns the signal's bits as they lie in the data, without sign, and false
// if not all of them do.
func (c *Codec) Raw(data []byte) (raw uint64, ok bool) {
	if int(c.last) >= len(data) {
		return 0, false
	}
	var word uint64
	switch {
	case len(data) == 8:
		word = binary.LittleEndian.Uint64(data)
	case len(data) > 8:
		return c.loadLong(data), true
	default:
		word = loadShort(data)
	}
	if c.bigEndian {
		word = bits.ReverseBytes64(word)
	}
	return word >> (c.shift & 63) & c.mask, true
}

// PutRaw writes the low bits of raw into the data and leaves all other bits as
// they are. It panics if the signal does not lie in the data.
func (c *Codec) PutRaw(data []byte, raw uint64) {
	switch {
	case int(c.last) >= len(data):
		panic("signal: Codec.PutRaw: the signal does not lie in the data")
	case len(data) == 8:
		binary.LittleEndian.PutUint64(data, c.insert(binary.LittleEndian.Uint64(data), raw))
	case len(data) > 8:
		c.storeLong(data, raw&c.mask)
	default:
		storeShort(data, c.insert(loadShort(data), raw))
	}
}

// insert puts the field into the first eight bytes of the data, given and
// returned in little-endian order. The mask is turned around instead of the word.
func (c *Codec) insert(word, raw uint64) uint64 {
	shift := c.shift & 63
	field, place := raw&c.mask<<shift, c.mask<<shift
	if c.bigEndian {
		field, place = bits.ReverseBytes64(field), bits.ReverseBytes64(place)
	}
	return word&^place | field
}

// loadShort reads 1 to 7 bytes in little-endian order with zeros above them. The
// parts overlap where they need not, which saves a loop.
func loadShort(data []byte) uint64 {
	n := len(data)
	if n >= 4 {
		return uint64(binary.LittleEndian.Uint32(data)) |
			uint64(binary.LittleEndian.Uint32(data[n-4:]))<<(8*(n-4)&63)
	}
	middle := n / 2
	return uint64(data[0]) | uint64(data[middle])<<(8*middle&63) | uint64(data[n-1])<<(8*(n-1)&63)
}

// storeShort writes what loadShort reads.
func storeShort(data []byte, word uint64) {
	n := len(data)
	if n >= 4 {
		binary.LittleEndian.PutUint32(data[n-4:], uint32(word>>(8*(n-4)&63)))
		binary.LittleEndian.PutUint32(data, uint32(word))
		return
	}
	middle := n / 2
	data[0], data[middle], data[n-1] = byte(word), byte(word>>(8*middle&63)), byte(word>>(8*(n-1)&63))
}

// window returns where the eight bytes of longer data begin that hold the field,
// and by how many bits it lies higher in them (in big-endian order: lower) than
// in the eight bytes from its first, which may reach beyond the data.
func (c *Codec) window(data []byte) (at int, moved uint) {
	at = int(c.first)
	if room := len(data) - 8; at > room {
		return room, uint(at-room) * 8
	}
	return at, 0
}

// loadLong reads the field from data of more than 8 bytes that hold it.
func (c *Codec) loadLong(data []byte) uint64 {
	at, moved := c.window(data)
	word := binary.LittleEndian.Uint64(data[at:])
	if c.bigEndian {
		word = bits.ReverseBytes64(word)
		if c.over != 0 {
			return (word<<c.over | uint64(data[at+8])>>(8-c.over)) & c.mask
		}
		return word >> ((uint(c.within) - moved) & 63) & c.mask
	}
	word >>= (uint(c.within) + moved) & 63
	if c.over != 0 {
		word |= uint64(data[at+8]) << (64 - c.within)
	}
	return word & c.mask
}

// storeLong writes the field into data of more than 8 bytes that hold it.
func (c *Codec) storeLong(data []byte, raw uint64) {
	at, moved := c.window(data)
	place := data[at : at+8]
	word := binary.LittleEndian.Uint64(place)
	switch {
	case !c.bigEndian:
		shift := (uint(c.within) + moved) & 63
		binary.LittleEndian.PutUint64(place, word&^(c.mask<<shift)|raw<<shift)
		if c.over != 0 {
			rest := 64 - c.within
			data[at+8] = data[at+8]&^byte(c.mask>>rest) | byte(raw>>rest)
		}
	case c.over != 0:
		word = bits.ReverseBytes64(word)&^(c.mask>>c.over) | raw>>c.over
		binary.BigEndian.PutUint64(place, word)
		rest := 8 - c.over
		data[at+8] = data[at+8]&^(byte(c.mask)<<rest) | byte(raw)<<rest
	default:
		shift := (uint(c.within) - moved) & 63
		word = bits.ReverseBytes64(word)&^(c.mask<<shift) | raw<<shift
		binary.BigEndian.PutUint64(place, word)
	}
}

// Decode returns the signal's physical value, and false if not all its bits lie
// in the data.
func (c *Codec) Decode(data []byte) (value float64, ok bool) {
	raw, ok := c.Raw(data)
	if !ok {
		return 0, false
	}
	return c.Value(raw), true
}

// Value returns the physical value of raw bits.
func (c *Codec) Value(raw uint64) float64 {
	var x float64
	switch c.form {
	case formUnsigned:
		x = float64(raw)
	case formSigned:
		x = float64(int64(raw<<(c.sign&63)) >> (c.sign & 63))
	case formFloat32:
		x = float64(math.Float32frombits(uint32(raw)))
	default:
		x = math.Float64frombits(raw)
	}
	// The conversion keeps the compiler from fusing the two operations.
	return float64(x*c.scale) + c.offset
}

// Encode writes a physical value into the data, as [Definition.ToRaw] rounds and
// clips it. It panics if the signal does not lie in the data.
func (c *Codec) Encode(data []byte, value float64) (clipped bool) {
	raw, clipped := c.ToRaw(value)
	c.PutRaw(data, raw)
	return clipped
}

// ToRaw returns the raw bits of a physical value, as [Definition.ToRaw] does.
func (c *Codec) ToRaw(value float64) (raw uint64, clipped bool) {
	x := (value - c.offset) / c.scale
	switch c.form {
	case formFloat32:
		return toFloat32(x, value)
	case formFloat64:
		return toFloat64(x, value)
	}
	x = math.RoundToEven(x)
	switch {
	case x >= c.low && x < c.above:
	case x < c.low:
		return uint64(int64(c.low)) & c.mask, true
	case x >= c.above:
		return c.greatest, true
	default:
		return 0, true
	}
	if c.form == formSigned || c.sign != 0 {
		return uint64(int64(x)) & c.mask, false
	}
	return uint64(x), false
}
