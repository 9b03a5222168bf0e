package bus

// A field of bits in the data of a frame is named by its start bit and width:
// start bit 8n+b is bit b (0 = least) of byte n. It is the least significant bit
// of a little-endian field, which grows towards higher start bits, and the most
// significant one of a big-endian field, which grows towards the least bit of
// its byte and on from the top of the next.

// FieldBytes returns the first and the last byte that a field touches. Width is
// at least 1, start at least 0.
func FieldBytes(start, width int, bigEndian bool) (first, last int) {
	first = start >> 3
	if bigEndian {
		return first, first + (7-start&7+width-1)>>3
	}
	return first, (start + width - 1) >> 3
}

// FieldInside reports whether a field lies wholly in so many bytes of data. A
// start below 0 or a width outside 1..64 lies nowhere.
func FieldInside(length, start, width int, bigEndian bool) bool {
	if start < 0 || width < 1 || width > 64 || start>>3 >= length {
		return false
	}
	_, last := FieldBytes(start, width, bigEndian)
	return last < length
}

// ReadField returns the bits of a field as a number, and false if it does not
// lie in data.
func ReadField(data []byte, start, width int, bigEndian bool) (raw uint64, ok bool) {
	if !FieldInside(len(data), start, width, bigEndian) {
		return 0, false
	}
	first, last := FieldBytes(start, width, bigEndian)
	// high bits of the first byte or low bits of the last are not the field's.
	taken := 0
	if bigEndian {
		for i := last; i >= first; i-- {
			raw, taken = take(raw, taken, data[i], fieldByte(i, first, last, start, width, bigEndian))
		}
	} else {
		for i := first; i <= last; i++ {
			raw, taken = take(raw, taken, data[i], fieldByte(i, first, last, start, width, bigEndian))
		}
	}
	return raw, true
}

// WriteField writes the low bits of raw into a field and leaves all other bits
// as they are. It returns false, and writes nothing, if the field does not lie
// in data.
func WriteField(data []byte, start, width int, bigEndian bool, raw uint64) bool {
	if !FieldInside(len(data), start, width, bigEndian) {
		return false
	}
	first, last := FieldBytes(start, width, bigEndian)
	for i := first; i <= last; i++ {
		at := i
		if bigEndian {
			at = last + first - i
		}
		p := fieldByte(at, first, last, start, width, bigEndian)
		data[at] = data[at]&^p.mask() | byte(raw)<<p.low&p.mask()
		raw >>= p.count
	}
	return true
}

// bytePart is the part of a byte that belongs to a field.
type bytePart struct{ low, count int }

func (p bytePart) mask() byte { return byte(0xFF) >> (8 - p.count) << p.low }

// fieldByte returns which bits of byte i belong to the field.
func fieldByte(i, first, last, start, width int, bigEndian bool) bytePart {
	low, high := 0, 7
	if bigEndian {
		if i == first {
			high = start & 7
		}
		if i == last {
			low = 7 - (7-start&7+width-1)&7
		}
	} else {
		if i == first {
			low = start & 7
		}
		if i == last {
			high = (start + width - 1) & 7
		}
	}
	return bytePart{low, high - low + 1}
}

func take(raw uint64, taken int, b byte, p bytePart) (uint64, int) {
	return raw | uint64(b&p.mask()>>p.low)<<taken, taken + p.count
}
