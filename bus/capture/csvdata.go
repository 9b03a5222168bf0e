package capture

import "stalegauge/bus"

// payload reads the data and makes it agree with the length column.
func (p *csvParser) payload(e *entry) (reason string) {
	f := &e.frame
	length, stated := 0, false
	if b := p.field(lengthColumn); len(b) > 0 {
		v, ok := number(b)
		if !ok || v > bus.MaxLength {
			return reasonLengthColumn
		}
		length, stated = v, true
	}
	n := 0
	if p.bytes == nil {
		data := p.field(dataColumn)
		if remoteWord(data) {
			f.Kind = bus.Remote
		}
		switch {
		case f.Kind == bus.Remote:
		case data == nil && f.Kind == bus.Data: // the row ends before it
			return reasonFewColumns
		default:
			n, reason = hexBytes(data, &f.Data)
		}
	} else if f.Kind != bus.Remote {
		n, reason = p.byteColumns(length, stated, &f.Data)
	}
	if reason != "" {
		return reason
	}
	if f.Kind == bus.Remote {
		if stated && length > 8 {
			return reasonRemoteLength
		}
		f.Flags, f.Length = 0, uint8(length)
		return ""
	}
	return p.agree(e, n, length, stated)
}

// agree settles the length of a frame that has n bytes in its row.
func (p *csvParser) agree(e *entry, n, length int, stated bool) (reason string) {
	f := &e.frame
	switch {
	case !stated || n == length:
	case n == 8 && length > 8 && length <= 15 && f.Flags == 0:
		e.rawDLC = true
	case length > 8 && length <= 15 && n == int(codeLength[length]):
		p.tally.r.LengthCode++
	case n < length:
		return reasonFewBytes
	default:
		p.tally.r.ExtraBytes++
		n = length
	}
	if n > 8 {
		f.Flags |= bus.FD
	}
	f.Length = uint8(n)
	switch {
	case f.Kind == bus.Error && (f.Flags != 0 || n > 8):
		return reasonErrorFrame
	case f.Flags != 0 && flexibleLength[n] == 0:
		return reasonFlexibleLength
	}
	if f.Kind == bus.Error { // rows of error frames often have no bytes
		clear(f.Data[n:8])
		f.Length = 8
	}
	return ""
}

// byteColumns reads one byte a column up to the first empty one.
func (p *csvParser) byteColumns(length int, stated bool, data *[bus.MaxLength]byte) (n int, reason string) {
	columns := p.bytes
	if p.bytesEnd && stated && length <= len(columns) {
		columns = columns[:length]
	}
	for _, c := range columns {
		b := p.fields[c]
		if len(b) == 0 {
			break
		}
		v, ok := oneByte(b, p.decimalByte)
		if !ok {
			return n, reasonByte
		}
		data[n] = v
		n++
	}
	return n, ""
}

// oneByte reads a number of 0..255.
func oneByte(b []byte, decimal bool) (byte, bool) {
	if len(b) > 2 && b[0] == '0' && (b[1] == 'x' || b[1] == 'X') {
		b, decimal = b[2:], false
	}
	if decimal {
		v, ok := number(b)
		return byte(v), ok && v <= 255
	}
	switch len(b) {
	case 1:
		return digit[b[0]], digit[b[0]] != bad
	case 2:
		high, low := digit[b[0]], digit[b[1]]
		return high<<4 | low, high|low <= 15
	}
	return 0, false
}

// hexBytes reads a data column: digits in a row, or bytes with a blank, -, :,
// . , _ or | between them, each with or without 0x.
func hexBytes(b []byte, data *[bus.MaxLength]byte) (n int, reason string) {
	if len(b) == 16 && eightBytes(b, data) {
		return 8, ""
	}
	i := 0
	for i < len(b) {
		if between(b[i]) {
			i++
			continue
		}
		if i+1 < len(b) && b[i] == '0' && (b[i+1] == 'x' || b[i+1] == 'X') {
			i += 2
		}
		start := i
		for i+1 < len(b) {
			high, low := digit[b[i]], digit[b[i+1]]
			if high|low > 15 {
				break
			}
			if n == bus.MaxLength {
				return n, reasonLong
			}
			data[n] = high<<4 | low
			n++
			i += 2
		}
		if i < len(b) && digit[b[i]] != bad {
			// A byte of one digit stands alone.
			if i > start || start == 0 && i+1 == len(b) || n == bus.MaxLength {
				return n, reasonOdd
			}
			data[n] = digit[b[i]]
			n++
			i++
		}
		if i == start || i < len(b) && !between(b[i]) {
			return n, reasonNotHex
		}
	}
	return n, ""
}

func between(c byte) bool {
	switch c {
	case ' ', '-', ':', '.', ',', '_', '|', '\t':
		return true
	}
	return false
}

// remoteWord reports whether a data column says that there is none.
func remoteWord(b []byte) bool {
	if len(b) == 0 || digit[b[0]] != bad {
		return false
	}
	return word(b, "r") || word(b, "rtr") || word(b, "remote") || word(b, "remote frame")
}

// word compares without regard to case.
func word(b []byte, s string) bool {
	if len(b) != len(s) {
		return false
	}
	for i := range b {
		c := b[i]
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		if c != s[i] {
			return false
		}
	}
	return true
}

// yesNo reads a mark.
func yesNo(b []byte) (yes, ok bool) {
	switch {
	case word(b, "1"), word(b, "true"), word(b, "yes"), word(b, "y"), word(b, "x"), word(b, "t"):
		return true, true
	case word(b, "0"), word(b, "false"), word(b, "no"), word(b, "n"), word(b, "-"), word(b, "f"):
		return false, true
	}
	return false, false
}

// width reads the width of an identifier: whether it is 29 bit.
func width(b []byte) (wide, ok bool) {
	switch {
	case word(b, "29"), word(b, "ext"), word(b, "extended"), word(b, "eff"), word(b, "e"), word(b, "xtd"):
		return true, true
	case word(b, "11"), word(b, "std"), word(b, "standard"), word(b, "sff"), word(b, "s"), word(b, "base"):
		return false, true
	}
	return yesNo(b)
}

// direction reads who sent a frame; other words say nothing.
func direction(b []byte) uint8 {
	switch {
	case word(b, "r"), word(b, "rx"), word(b, "in"), word(b, "received"), word(b, "receive"):
		return received
	case word(b, "t"), word(b, "tx"), word(b, "out"), word(b, "sent"), word(b, "transmit"):
		return sent
	case word(b, "txrq"), word(b, "txreq"), word(b, "tx request"), word(b, "txrequest"), word(b, "request"), word(b, "tr"):
		return requested
	}
	return 0
}

// kind reads the kind of a frame in words; other words say nothing.
func kind(b []byte, f *bus.Frame) {
	switch {
	case word(b, "r"), word(b, "rtr"), word(b, "remote"), word(b, "remote frame"):
		f.Kind = bus.Remote
	case word(b, "e"), word(b, "err"), word(b, "error"), word(b, "error frame"), word(b, "errorframe"):
		f.Kind = bus.Error
	case word(b, "fd"), word(b, "fd data"), word(b, "canfd"), word(b, "can fd"), word(b, "can-fd"):
		f.Flags |= bus.FD
	}
}
