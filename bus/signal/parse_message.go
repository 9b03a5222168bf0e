package signal

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"stalegauge/bus"
)

// nobody stands for a missing node in lists of senders and receivers.
const nobody = "Vector__XXX"

const longestName = 128

// readMessage reads a line such as: BO_ 291 Wheels: 8 Drive
func (p *parser) readMessage(start int) lineClass {
	p.message = lostMessage
	const lost = "message skipped with its signals"
	p.skipBlanks()
	idAt := p.at
	number, ok := p.unsignedNumber()
	if !ok || number > math.MaxUint32 {
		return p.failLine(idAt, p.found(idAt), "the message's identifier, a number from 0 to 4294967295", lost)
	}
	p.skipBlanks()
	nameAt := p.at
	name := p.word()
	if name == "" {
		return p.failLine(p.at, p.found(p.at), "the message's name", lost)
	}
	if !p.take(':') {
		return p.failLine(p.at, p.found(p.at), "a colon after the message's name", lost)
	}
	p.skipBlanks()
	lengthAt := p.at
	length, ok := p.unsignedNumber()
	if !ok || length > math.MaxInt32 {
		return p.failLine(lengthAt, p.found(lengthAt), "the message's length in bytes", lost)
	}
	if number == 0xC0000000 || number == 0x40000000 {
		p.message = unusedSignals
		p.skipped["container of unused signals"]++
		p.at = p.lineEnd(p.at)
		return lineSkipped
	}
	id, note := identifier(number)
	if note != "" {
		p.warn(idAt, fmt.Sprintf("%d", number), note, "read as the 29-bit identifier "+id.String())
	}
	p.checkName(nameAt, name, "message")
	m := Message{Name: name, at: nameAt, ID: id, Length: int(length), FD: length > 8, Line: p.lineOf(start)}
	p.checkLength(lengthAt, &m)
	if sender := p.word(); sender != "" && sender != nobody {
		m.Sender, m.Senders = sender, []string{sender}
	}
	p.db.Messages = append(p.db.Messages, m)
	p.message = len(p.db.Messages) - 1
	return p.lineRest("message kept, the rest of the line skipped")
}

// lineRest reads what is left of the line of an entry that needs no semicolon.
func (p *parser) lineRest(done string) lineClass {
	p.take(';')
	if p.atLineEnd() || p.keywordAt(p.at) != "" {
		return lineRead
	}
	return p.failLine(p.at, p.found(p.at), "the end of the line", done)
}

func (p *parser) checkLength(at int, m *Message) {
	if _, ok := bus.LengthCode(m.Length, bus.FD); !ok {
		p.warn(at, fmt.Sprintf("a length of %d", m.Length), "a length that a frame can have: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes", "message kept")
	}
}

// checkName warns of names that most programs refuse.
func (p *parser) checkName(at int, name, of string) {
	if len(name) > longestName {
		p.warn(at, fmt.Sprintf("a name of %d characters", len(name)), fmt.Sprintf("at most %d", longestName), of+" kept")
	}
	if i := strings.IndexFunc(name, notInNames); i >= 0 || isDigit(name[0]) {
		p.warn(at, "the name "+excerpt(name), "letters, digits and _, no digit first", of+" kept")
	}
}

func notInNames(r rune) bool {
	return r != '_' && !('0' <= r && r <= '9') && !('a' <= r && r <= 'z') && !('A' <= r && r <= 'Z')
}

// readSignal reads a line such as:
//
//	SG_ Speed m3 : 8|16@1+ (0.5,-40) [0|200] "km/h" Display,Logger
func (p *parser) readSignal(start int) lineClass {
	switch p.message {
	case lostMessage, unusedSignals:
		kind := "signal of a message that was skipped"
		if p.message == unusedSignals {
			kind = "signal in the container of unused signals"
		}
		p.skipped[kind]++
		p.at = p.lineEnd(p.at)
		return lineSkipped
	case noMessage:
		return p.failLine(start, p.found(start), "a message (BO_) before its signals", "signal skipped")
	}
	s := MessageSignal{Parent: NoParent, Line: p.lineOf(start), at: start}
	s.Page = AnyPage
	p.skipBlanks()
	nameAt := p.at
	s.Name = p.word()

	if s.Name == "" {
		return p.failLine(p.at, p.found(p.at), "the signal's name", "signal skipped")
	}
	for _, part := range []func(*MessageSignal) string{p.branchOf, p.layoutOf, p.scaleOf} {
		p.skipBlanks()
		if expected := part(&s); expected != "" {
			return p.failLine(p.at, p.found(p.at), expected, "signal skipped")
		}
	}
	p.checkName(nameAt, s.Name, "signal")
	p.limitsOf(&s)
	class := p.unitOf(&s)
	m := &p.db.Messages[p.message]
	m.Signals = append(m.Signals, s)
	return class
}

// branchOf reads M, m3 or m3M and the colon. Like the other parts it returns
// what is expected instead of what stands there, or "".
func (p *parser) branchOf(s *MessageSignal) (expected string) {
	const words = "a colon, or M, or m and a number"
	if p.take(':') {
		return ""
	}
	at := p.at
	mark := p.word()
	switch {
	case mark == "M":
		s.IsSelector = true
	case strings.HasPrefix(mark, "m"):
		digits := strings.TrimSuffix(mark[1:], "M")
		n, err := strconv.ParseUint(digits, 10, 64)
		if err != nil || !isDigit(digits[0]) {
			p.at = at
			return words
		}
		s.branch, s.hasBranch = n, true
		s.IsSelector = len(digits) < len(mark)-1
	default:
		p.at = at
		return words
	}
	if !p.take(':') {
		return "a colon"
	}
	return ""
}

// layoutOf reads 8|16@1+
func (p *parser) layoutOf(s *MessageSignal) (expected string) {
	start, ok := p.unsignedNumber()
	if !ok || start > math.MaxInt32 {
		return "the signal's start bit"
	}
	if !p.take('|') {
		return "| and the signal's width in bits"
	}
	p.skipBlanks()
	at := p.at
	width, ok := p.unsignedNumber()
	if !ok || width < 1 || width > 64 {
		p.at = at
		return "a width of 1 to 64 bits"
	}
	if !p.take('@') {
		return "@ and the byte order"
	}
	switch {
	case p.take('0'):
		s.BigEndian = true
	case p.take('1'):
	default:
		return "byte order 0 (most significant first) or 1"
	}
	switch {
	case p.take('-'):
		s.Signed = true
	case p.take('+'):
	default:
		return "+ (unsigned) or - (signed)"
	}
	s.Start, s.Bits = int(start), int(width)
	return ""
}

// scaleOf reads (0.5,-40)
func (p *parser) scaleOf(s *MessageSignal) (expected string) {
	if !p.take('(') {
		return "( and the scale"
	}
	p.skipBlanks()
	at := p.at
	var ok bool
	if s.Scale, ok = p.number(); !ok {
		return "the scale, a decimal number"
	}
	if !p.take(',') {
		return "a comma and the offset"
	}
	if s.Offset, ok = p.number(); !ok {
		return "the offset, a decimal number"
	}
	if !p.take(')') {
		return ")"
	}
	if s.Scale == 0 {
		p.warn(at, "scale 0", "another number", "scale 1 taken, signal kept")
		s.Scale = 1
	}
	if low, high := s.Range(); !s.Float && (math.IsInf(low, 0) || math.IsInf(high, 0)) {
		p.at = at
		return "a scale and offset that keep values within the range of floating point numbers"
	}
	return ""
}

// limitsOf reads [0|200]. The limits are no reason to lose the signal.
func (p *parser) limitsOf(s *MessageSignal) {
	p.skipBlanks()
	at := p.at
	if !p.take('[') {
		p.warn(p.at, p.found(p.at), "the limits, such as [0|100]", "signal kept without limits")
		return
	}
	low, lowGood := p.number()
	bar := p.take('|')
	high, highGood := p.number()
	if !lowGood || !bar || !highGood || !p.take(']') {
		p.warn(p.at, p.found(p.at), "limits of two decimal numbers, such as [0|100]", "signal kept without limits")
		line := p.text[:p.lineEnd(at)]
		if n := strings.IndexByte(line[at:], ']'); n >= 0 {
			p.at = at + n + 1
		} else if n := strings.IndexByte(line[at:], '"'); n >= 0 {
			p.at = at + n
		}
		return
	}
	if low > high {
		p.warn(at, fmt.Sprintf("limits from %v to %v", low, high), "the lower one first", "signal kept without limits")
		return
	}
	// Both 0 stand for none.
	s.Min, s.Max, s.Limited = low, high, low != 0 || high != 0
}

// unitOf reads the unit and the receivers, through the end of the line.
func (p *parser) unitOf(s *MessageSignal) lineClass {
	if !p.has('"') {
		p.warn(p.at, p.found(p.at), "the unit in quotes", "signal kept without unit")
	} else {
		at := p.at
		unit, closed := p.unit()
		if !closed {
			end := p.lineEnd(at)
			s.Unit = p.clean(at, strings.TrimSpace(p.text[at+1:end]), "unit")
			return p.failLine(at, p.found(at), "a unit that closes", "signal kept, the rest of the line taken as its unit")
		}
		s.Unit = p.clean(at, unit, "unit")
	}
	for !p.atLineEnd() {
		name := p.word()
		switch {
		case name == "" && !p.take(',') && !p.take(';'):
			return p.failLine(p.at, p.found(p.at), "the names of receivers", "signal kept, the rest of the line skipped")
		case name != "" && name != nobody:
			s.Receivers = append(s.Receivers, name)
		}
	}
	return lineRead
}

// clean replaces characters that cannot be printed, which no display could show.
func (p *parser) clean(at int, text, what string) string {
	if printable(text) {
		return text
	}
	p.warn(at, "the "+what+" "+excerpt(text), "characters that can be printed", "kept with spaces in place of the others")
	return strings.Map(func(r rune) rune {
		if printable(string(r)) {
			return r
		}
		return ' '
	}, text)
}

// parseNumber reads a decimal number as databases have it: +127, .5, 1E-005. One
// beyond the range of floating point numbers is the largest there is.
func parseNumber(text string) (x float64, ok bool) {
	for i := 0; i < len(text); i++ {
		if c := text[i]; !isDigit(c) && c != '+' && c != '-' && c != '.' && c|0x20 != 'e' {
			return 0, false
		}
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		if math.IsInf(x, 0) {
			return math.Copysign(math.MaxFloat64, x), true
		}
		return 0, false
	}
	return x, true
}
