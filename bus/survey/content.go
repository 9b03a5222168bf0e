package survey

import (
	"encoding/binary"
	"math/bits"
	"slices"
)

// content is what the bytes of an identifier do. Data shorter than those before
// leave the bytes behind their end as they were.
type content struct {
	last    []byte
	changed []byte   // bits that were ever different
	toggles []uint32 // by bit: data that differ from the ones before in it
	pairs   uint64   // of data that follow each other
	moved   uint64   // pairs that differ
	bytes   []byteContent

	typical    []byte // data whose length on the wire is nearest to the mean so far
	typicalFar float64
	linear     *linear // nil before anything changed
}

// byteContent is what one byte does.
type byteContent struct {
	moved   uint64 // pairs in which it changed
	alone   uint64 // pairs in which it alone changed
	plusOne [3]uint64
	sums    uint64 // pairs that differ in which it changed like the sum of the others
}

// The parts of a byte that are looked at as counters.
const (
	wholeByte = iota
	lowNibble
	highNibble
)

// see takes in the data of a frame that is so many bits long on the wire, the mean
// being so many.
func (c *content) see(data []byte, length int, mean float64) {
	if len(data) > len(c.last) {
		c.grow(len(data))
		if c.pairs == 0 && c.typical == nil {
			copy(c.last, data)
			c.typical = append([]byte(nil), data...)
			c.typicalFar = 1e9
			return
		}
	}
	if far := abs(float64(length) - mean); far <= c.typicalFar || c.pairs&255 == 0 {
		c.typical, c.typicalFar = append(c.typical[:0], data...), far
	}
	c.pairs++
	if equal(c.last, data) {
		return
	}
	c.moved++
	c.compare(data)
	copy(c.last, data)
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

func equal(last, data []byte) bool {
	if len(data) == 8 && len(last) == 8 {
		return binary.LittleEndian.Uint64(last) == binary.LittleEndian.Uint64(data)
	}
	return string(last[:len(data)]) == string(data)
}

func (c *content) grow(n int) {
	for len(c.last) < n {
		c.last, c.changed, c.bytes = append(c.last, 0), append(c.changed, 0), append(c.bytes, byteContent{})
		c.toggles = append(c.toggles, make([]uint32, 8)...)
	}
}

// compare counts what changed.
func (c *content) compare(data []byte) {
	different, sum := 0, byte(0)
	for i, b := range data {
		if b != c.last[i] {
			different++
			sum += b - c.last[i]
		}
	}
	if c.linear == nil {
		c.linear = new(linear)
	}
	if len(c.last) <= 8 && c.linear.taken < enoughDifferences {
		d := uint64(0)
		for i, b := range data {
			d |= uint64(b^c.last[i]) << (8 * i)
		}
		c.linear.add(d)
	}
	for i, b := range data {
		before := c.last[i]
		x := &c.bytes[i]
		if own := b - before; own == sum-own {
			x.sums++ // it changed by as much as all others together
		}
		if b == before {
			continue
		}
		x.moved++
		if different == 1 {
			x.alone++
		}
		c.changed[i] |= b ^ before
		for d := b ^ before; d != 0; d &= d - 1 {
			c.toggles[8*i+bits.TrailingZeros8(d)]++
		}
		if b-before == 1 {
			x.plusOne[wholeByte]++
		}
		if (b-before)&15 == 1 {
			x.plusOne[lowNibble]++
		}
		if (b>>4-before>>4)&15 == 1 {
			x.plusOne[highNibble]++
		}
	}
}

// Field is a run of bits of one byte: First is the lowest, as a start bit.
type Field struct {
	First, Bits int
}

// Like says what bytes look like.
type Like struct {
	Counters  []Field // count up by one from frame to frame
	Checksums []int   // bytes that follow from the others
	Alive     bool    // nothing changes but counters and checksums
}

// The least number of changes that tell anything.
const fewChanges = 16

// like looks for counters and checksums.
func (c *content) like() (l Like) {
	for i := range c.bytes {
		if f, ok := c.counter(i); ok {
			l.Counters = append(l.Counters, f)
		}
	}
	proven := -1 // where two bytes always change alike the last is taken for the checksum
	for i := range c.bytes {
		if !l.counts(i) && c.follows(i) {
			proven = i
		}
	}
	if proven >= 0 {
		l.Checksums = append(l.Checksums, proven)
	}
	l.Alive = c.moved > 0
	for i, mask := range c.changed {
		l.Alive = l.Alive && l.leaves(i, mask) == 0
	}
	return l
}

// leaves returns the bits of a byte that are of no counter and no checksum.
func (l *Like) leaves(at int, mask byte) byte {
	for _, f := range l.Counters {
		if f.First/8 == at {
			mask &^= byte((1<<f.Bits - 1) << (f.First % 8))
		}
	}
	if slices.Contains(l.Checksums, at) {
		return 0
	}
	return mask
}

func (l *Like) counts(at int) bool {
	for _, f := range l.Counters {
		if f.First/8 == at {
			return true
		}
	}
	return false
}

// counter looks for a counter in a byte: the whole of it or a nibble goes up by
// one nearly every time; or its bits toggle like those of one, each half as often
// as the one below.
func (c *content) counter(at int) (Field, bool) {
	x := &c.bytes[at]
	if x.moved < fewChanges {
		return Field{}, false
	}
	mostly := func(n uint64) bool { return n*100 >= c.pairs*95 }
	switch {
	case mostly(x.plusOne[wholeByte]) && c.changed[at]&0xF0 != 0:
		return Field{8 * at, 8}, true
	case mostly(x.plusOne[lowNibble]) && c.changed[at]&0x0C != 0:
		return Field{8 * at, 4}, true
	case mostly(x.plusOne[highNibble]) && c.changed[at]&0xC0 != 0:
		return Field{8*at + 4, 4}, true
	}
	for first := 0; first < 7; first++ {
		if float64(c.toggles[8*at+first]) < 0.98*float64(c.pairs) {
			continue
		}
		width := 1
		for first+width < 8 && near(c.toggles[8*at+first+width], float64(c.pairs)/float64(int(1)<<width)) {
			width++
		}
		if width >= 2 {
			return Field{8*at + first, width}, true
		}
	}
	return Field{}, false
}

// near reports whether a count is what was expected, to 5 %: far more than the
// chance of a random bit leaves beside a bit that always toggles.
func near(n uint32, expected float64) bool {
	return expected >= fewChanges && abs(float64(n)-expected) <= 0.05*expected
}

// follows reports whether a byte is a function of the others: it changed each time
// by as much as their sum, or it is linear in their bits, as the exclusive or of
// bytes and every cyclic redundancy check is.
func (c *content) follows(at int) bool {
	x := &c.bytes[at]
	if x.moved < fewChanges || x.alone > 0 {
		return false
	}
	return x.sums == c.moved || c.linear.determines(at)
}

// linear is the space of the differences between successive data of at most eight
// bytes over the field of two elements, by a basis in echelon form.
type linear struct {
	basis [64]uint64 // by highest bit
	taken int        // differences taken in
}

const (
	enoughDifferences = 512
	fewDifferences    = 160 // far more than the 64 dimensions that there can be
	leastRank         = 4   // of a byte: one that follows fewer bits is a copy of them
)

// add takes in a difference.
func (l *linear) add(d uint64) {
	if l.taken == enoughDifferences {
		return
	}
	l.taken++
	insert(&l.basis, d)
}

// insert reduces a vector by a basis and adds what is left. It reports whether
// anything was.
func insert(basis *[64]uint64, d uint64) bool {
	for d != 0 {
		top := 63 - bits.LeadingZeros64(d)
		if basis[top] == 0 {
			basis[top] = d
			return true
		}
		d ^= basis[top]
	}
	return false
}

// determines reports whether the other bytes say what this one is: leaving it out
// takes nothing from the dimension of the space.
func (l *linear) determines(at int) bool {
	if l.taken < fewDifferences || at >= 8 {
		return false
	}
	mask := uint64(0xFF) << (8 * at)
	all, rest, own := 0, 0, 0
	var restBasis, ownBasis [64]uint64
	for _, d := range l.basis {
		if d == 0 {
			continue
		}
		all++
		if insert(&restBasis, d&^mask) {
			rest++
		}
		if insert(&ownBasis, d&mask) {
			own++
		}
	}
	return rest == all && own >= leastRank
}
