package capture

import (
	"bytes"
	"encoding/binary"

	"stalegauge/bus"
)

// The flag bits that Linux keeps beside an identifier in one word
// (linux/can.h).
const (
	errorFlag    = 1 << 29
	remoteFlag   = 1 << 30
	extendedFlag = 1 << 31
	numberMask   = 1<<29 - 1
	maxStandard  = 0x7FF
	// An error frame of class "controller" says in byte 1 that the logger's
	// controller overran (linux/can/error.h).
	classController = 0x4
	receiveOverrun  = 0x1
)

// bad is the value of a byte that is no hex digit.
const bad = 0xFF

// digit holds the value of each hex digit.
var digit = func() (t [256]uint8) {
	for i := range t {
		t[i] = bad
	}
	for i := range 10 {
		t['0'+i] = uint8(i)
	}
	for i := range 6 {
		t['a'+i], t['A'+i] = uint8(10+i), uint8(10+i)
	}
	return t
}()

// textParser reads lines of the SocketCAN text log:
//
//	(1522028512.233563) can0 254#918FFE0603A60FFF
//
// Three digits before the # are an 11-bit identifier, eight a 29-bit one or,
// with bit 29 set, the class of an error frame.
type textParser struct {
	tally *tally
}

// parse reads one line into e. The reason is "" when the line was understood.
func (p *textParser) parse(b []byte, e *entry) (reason string) {
	if len(b) > 0 && b[0] == '\t' {
		b = bytes.TrimLeft(b, "\t ")
	}
	if len(b) == 0 || b[0] != '(' {
		return reasonNoStamp
	}
	close, reason := p.stamp(b, e)
	if reason != "" {
		return reason
	}
	start, end := p.channel(b, close+1)
	i := end + 1
	if i >= len(b) || digit[b[i]] == bad {
		if i = blanks(b, end); i == len(b) {
			return reasonNoFrame
		}
	}
	i, reason = parseFrame(b, i, e)
	if reason != "" {
		return reason
	}
	if i < len(b) {
		if i, reason = trailer(b, i, e); reason != "" {
			return reason
		}
	}
	// Counted only now that the line has been read whole.
	e.channel = p.tally.channel(b[start:end])
	return ""
}

// plain reads the shape that most lines of most logs have, all lengths fixed: a
// time since 2001 in microseconds, the channel of the line before, an 11-bit
// identifier and eight bytes. It reports false, e being undefined, for all else.
func (p *textParser) plain(b []byte, last string, e *entry) bool {
	n := len(last)
	if n == 0 || len(b) != plainLength+n || b[0] != '(' || b[18] != ')' || b[19] != ' ' || b[20+n] != ' ' || b[24+n] != '#' ||
		string(b[20:20+n]) != last {
		return false
	}
	stamp, ok := plainStamp(b)
	rest := b[21+n:]
	first, second, third := digit[rest[0]], digit[rest[1]], digit[rest[2]]
	if !ok || first > 7 || second|third > 15 || !eightBytes(rest[4:20], &e.frame.Data) {
		return false
	}
	e.stamp, e.channel, e.mark, e.rawDLC = stamp, uint8(p.tally.last), 0, false
	f := &e.frame
	f.ID = bus.ID(first)<<8 | bus.ID(second)<<4 | bus.ID(third)
	f.Kind, f.Flags, f.Length = bus.Data, 0, 8
	return true
}

// plainLength is the length of a line in the plain shape, less the name of the
// channel.
const plainLength = 41

// plainStamp reads (1522028512.233563 at the beginning of at least 18 bytes.
func plainStamp(b []byte) (int64, bool) {
	whole, ok1 := eightDigits(binary.LittleEndian.Uint64(b[1:9]))
	decimals, ok2 := eightDigits(binary.LittleEndian.Uint64(b[10:18])&^0xFFFF | 0x3030)
	tens, ones := b[9]-'0', b[10]-'0'
	s := whole*100 + uint64(tens)*10 + uint64(ones)
	return int64(s*1e9 + decimals*1e3), ok1 && ok2 && tens <= 9 && ones <= 9 && b[11] == '.' && s < maxStamp/1e9
}

// channel returns where the name of the channel stands. Most often it is that of
// the line before.
func (p *textParser) channel(b []byte, i int) (start, end int) {
	if i < len(b) && b[i] == ' ' {
		i++
	}
	last := p.tally.lastChannel()
	if n := i + len(last); last != "" && n < len(b) && b[n] == ' ' && string(b[i:n]) == last {
		return i, n
	}
	i = blanks(b, i)
	for end = i; end < len(b) && b[end] != ' ' && b[end] != '\t'; end++ {
	}
	return i, end
}

// stamp reads the time between the brackets and returns the place of the second
// one.
func (p *textParser) stamp(b []byte, e *entry) (close int, reason string) {
	// At most 17 digits cannot overflow: two short loops.
	if m, i := digits(b[:min(len(b), 18)], 1, 0); i > 1 && i < len(b) && b[i] == '.' {
		m, j := digits(b[:min(len(b), 19)], i+1, m)
		if decimals := j - i - 1; j < len(b) && b[j] == ')' && decimals <= 9 && m <= maxStamp/power10[9-decimals] {
			e.stamp = int64(m * power10[9-decimals])
			return j, ""
		}
	}
	close = bytes.IndexByte(b, ')')
	if close < 0 {
		return 0, reasonNoStamp
	}
	var cut bool
	e.stamp, cut, reason = nanoseconds(b[1:close], 9)
	if reason == reasonTime { // some loggers write the date instead
		e.stamp, _, cut, reason = clock(b[1:close])
	}
	if cut {
		p.tally.r.CutDigits++
	}
	return close, reason
}

func blanks(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\t') {
		i++
	}
	return i
}

// parseFrame reads ID#DATA and what may stand in its place from position i and
// returns the position behind it.
func parseFrame(b []byte, i int, e *entry) (int, string) {
	var id uint32
	start := i
	for i < len(b) && digit[b[i]] != bad {
		id = id<<4 | uint32(digit[b[i]])
		i++
	}
	digits := i - start
	if i == len(b) || b[i] != '#' {
		return i, reasonNoFrame
	}
	i++
	f := &e.frame
	f.Kind, f.Flags, e.mark, e.rawDLC = bus.Data, 0, 0, false
	if reason := identify(id, digits, f); reason != "" {
		return start, reason
	}
	longest := 8
	if i < len(b) {
		switch b[i] {
		case '#':
			if i+1 >= len(b) || digit[b[i+1]] == bad {
				return i, reasonFlags
			}
			f.Flags = flexible(digit[b[i+1]])
			i += 2
			longest = bus.MaxLength
		case 'R', 'r':
			return remote(b, i+1, e)
		}
	}
	n := 0
	if len(b)-i >= 16 && eightBytes(b[i:i+16], &f.Data) {
		n = 8
		i += 16
	}
	for i+1 < len(b) {
		high, low := digit[b[i]], digit[b[i+1]]
		if high|low > 15 {
			break
		}
		if n == longest {
			return i, reasonLong
		}
		f.Data[n] = high<<4 | low
		n++
		i += 2
	}
	if i < len(b) && digit[b[i]] != bad {
		return i, reasonOdd
	}
	f.Length = uint8(n)
	switch {
	case f.Kind == bus.Error && (f.Flags != 0 || n != 8):
		return start, reasonErrorFrame
	case f.Flags != 0 && flexibleLength[n] == 0:
		return i, reasonFlexibleLength
	}
	return i, ""
}

// identify sets the identifier, and the kind of an error frame, from the hex
// digits before the #.
func identify(id uint32, digits int, f *bus.Frame) (reason string) {
	switch {
	case digits == 3 && id <= maxStandard:
		f.ID = bus.ID(id)
	case digits == 3:
		return reasonStandard
	case digits != 8:
		return reasonDigits
	case id <= numberMask:
		f.ID = bus.ID(id) | bus.Extended
	case id>>29 == 1:
		f.ID, f.Kind = bus.ID(id&numberMask), bus.Error
	default:
		return reasonExtended
	}
	return ""
}

// eightBytes reads 16 hex digits, the usual payload. Two small functions that the
// compiler puts in place are faster than one that is called.
func eightBytes(b []byte, data *[bus.MaxLength]byte) bool {
	first, second := binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:16])
	binary.LittleEndian.PutUint64(data[:], uint64(fourBytes(second))<<32|uint64(fourBytes(first)))
	return noHex(first)|noHex(second) == 0
}

const each = 0x0101010101010101 // a 1 in each byte of a word

// fourBytes turns eight hex digits, the first one in the lowest byte, into four
// bytes, all at once.
func fourBytes(x uint64) uint32 {
	n := x&(0x0F*each) + 9*(x>>6&each)
	n = (n<<4 | n>>8) & 0x00FF00FF00FF00FF
	n = (n | n>>8) & 0x0000FFFF0000FFFF
	return uint32(n | n>>16)
}

// noHex is 0 when all eight bytes are hex digits.
func noHex(x uint64) uint64 {
	letter := x >> 6 & each // 1 in the bytes of A..F and a..f
	low := x & (0x0F * each)
	return x&(0xD0*each) ^ (0x10*each + 0x30*letter) | // upper half: 3 for digits, 4 or 6 for letters
		^(x|0x20*letter)&(0x20*each) |
		(low+6*each+3*letter)&(0x10*each) | // lower half: up to 9 for digits, 1 to 6 for letters
		(letter<<4)&^(low+0x0F*each)
}

// flexible turns the digit behind ## into flags.
func flexible(d uint8) bus.Flags {
	flags := bus.FD
	if d&1 != 0 {
		flags |= bus.BitRateFast
	}
	if d&2 != 0 {
		flags |= bus.ErrorPassive
	}
	return flags
}

// remote reads what follows the R of a remote frame: nothing, or the length
// asked for.
func remote(b []byte, i int, e *entry) (int, string) {
	e.frame.Length = 0
	if e.frame.Kind == bus.Error {
		return i, reasonErrorFrame
	}
	e.frame.Kind = bus.Remote
	if i < len(b) && digit[b[i]] != bad {
		if digit[b[i]] > 8 {
			return i, reasonRemoteLength
		}
		e.frame.Length = digit[b[i]]
		i++
	}
	return i, ""
}

// trailer reads what may follow a frame: the raw length code of a classic frame
// of 8 bytes, and the direction.
func trailer(b []byte, i int, e *entry) (int, string) {
	if b[i] == '_' {
		if i+1 >= len(b) || digit[b[i+1]] == bad || digit[b[i+1]] < 9 || e.frame.Length != 8 || e.frame.Flags != 0 {
			return i, reasonRawDLC
		}
		e.rawDLC = true
		i += 2
	}
	j := blanks(b, i)
	if j == len(b) {
		return j, ""
	}
	if j == i {
		return i, reasonNotHex
	}
	if j+1 == len(b) {
		switch b[j] {
		case 'R', 'r':
			e.mark = received
			return j + 1, ""
		case 'T', 't':
			e.mark = sent
			return j + 1, ""
		}
	}
	return j, reasonTrailing
}

// flexibleLength maps a legal payload length of the flexible data rate format
// to 1 + its length code (ISO 11898-1:2015 table 5); other lengths to 0.
var flexibleLength = func() (t [bus.MaxLength + 1]uint8) {
	for code, n := range codeLength {
		t[n] = uint8(code) + 1
	}
	return t
}()

// codeLength is the payload length of each length code (ISO 11898-1:2015
// table 5).
var codeLength = [16]uint8{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}
