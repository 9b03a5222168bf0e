package signal

import (
	"fmt"
	"sort"
	"strconv"
	"strings"

	"stalegauge/bus"
)

// parser reads entries in the order of the file. What refers to messages is kept
// until all of them are known, since files have it in any order.
type parser struct {
	scanner
	db         *Database
	mistakes   []Mistake
	last       located
	lineStarts []int32
	classes    []lineClass // of each line
	classified int         // line up to which they are known, from 0
	skipped    map[string]int
	message    int // index of the message whose signals follow, or one of the following
	sawKeyword bool
	refused    bool // unread

	links       []link
	values      []valuesOf
	comments    []commentOn
	forms       []formOf
	senders     []sendersOf
	definitions map[string]attribute
	defaults    map[string]given
	given       []given
}

// In place of a message's index.
const (
	noMessage     = -1
	lostMessage   = -2 // it was skipped
	unusedSignals = -3 // the container of signals that are in no message
)

// lineClass says what became of a line; of several on a line the highest counts.
type lineClass uint8

const (
	lineBlank lineClass = iota
	lineRemark
	lineRead
	lineSkipped
	lineBad
	lineClasses = iota
)

// maxDatabase is the size in bytes from which on a file is refused.
const maxDatabase = 1 << 28

// ParseDatabase reads a signal database in the trade's text form, in which entries
// begin with words such as BO_ and SG_. name is the file's, for the mistakes. It
// never stops at a mistake; they come in order of their places. The database is
// never nil, and has no messages where the file has none, which is a mistake too.
//
// Text that is not UTF-8 is taken as Windows-1252. Identifiers above 7FF are 29
// bits wide even where the flag for it is missing.
func ParseDatabase(name string, text []byte) (*Database, []Mistake) {
	p := &parser{
		db: &Database{Name: name}, message: noMessage,
		skipped: map[string]int{}, definitions: map[string]attribute{}, defaults: map[string]given{},
		lineStarts: []int32{0},
	}
	switch {
	case len(text) > maxDatabase:
		p.refused = true
		p.mistake(0, Error, fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d", maxDatabase), "nothing is read")
		return p.finish()
	default:
		p.text = databaseText(text)
	}
	for at := 0; ; {
		n := strings.IndexByte(p.text[at:], '\n')
		if n < 0 {
			break
		}
		at += n + 1
		p.lineStarts = append(p.lineStarts, int32(at))
	}
	p.classes = make([]lineClass, len(p.lineStarts))
	if at := strings.IndexByte(p.text, 0); at >= 0 && strings.Count(p.text, "\x00") > len(p.text)/64 {
		p.refused = true
		p.mistake(at, Error, "zero bytes: this is no text", "the text of a signal database", "nothing is read")
		p.mark(0, len(p.text), lineBad)
		return p.finish()
	}
	p.entries()
	p.resolve()
	return p.finish()
}

// entries reads them all.
func (p *parser) entries() {
	for {
		before := p.at
		p.skipSpace()
		p.mark(before, p.at, lineRemark)
		if p.at >= len(p.text) {
			return
		}
		start := p.at
		class := p.entry()
		p.mark(start, p.at, class)
	}
}

// mark gives the lines from one place to before another a class, except blank
// ones. The places never go back by more than a line.
func (p *parser) mark(from, to int, class lineClass) {
	for p.classified+1 < len(p.lineStarts) && int(p.lineStarts[p.classified+1]) <= from {
		p.classified++
	}
	for line := p.classified; line < len(p.lineStarts) && int(p.lineStarts[line]) < to; line++ {
		start, end := int(p.lineStarts[line]), len(p.text)
		if line+1 < len(p.lineStarts) {
			end = int(p.lineStarts[line+1]) - 1
		}
		content := p.pastBlanks(start)
		if content >= end || class == lineRemark && !strings.HasPrefix(p.text[content:], "//") {
			continue
		}
		p.classes[line] = max(p.classes[line], class)
	}
}

// finish counts the lines, sorts the mistakes and builds the tables for look-ups.
func (p *parser) finish() (*Database, []Mistake) {
	var counts [lineClasses]int
	for _, class := range p.classes {
		counts[class]++
	}
	if int(p.lineStarts[len(p.lineStarts)-1]) == len(p.text) {
		counts[lineBlank] = max(0, counts[lineBlank]-1) // what follows the last end of line is no line
	}
	p.db.Lines = Lines{Read: counts[lineRead], Skipped: counts[lineSkipped], Bad: counts[lineBad], Remarks: counts[lineRemark], Blank: counts[lineBlank]}
	for kind, n := range p.skipped {
		p.db.Skipped = append(p.db.Skipped, Count{kind, n})
	}
	sort.Slice(p.db.Skipped, func(i, j int) bool { return p.db.Skipped[i].Kind < p.db.Skipped[j].Kind })
	if len(p.db.Messages) == 0 && (len(p.mistakes) == 0 || !p.sawKeyword && !p.refused) {
		p.nothing()
	}
	sort.SliceStable(p.mistakes, func(i, j int) bool {
		a, b := &p.mistakes[i], &p.mistakes[j]
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	p.db.index()
	return p.db, p.mistakes
}

// nothing says that the file is no database, or an empty one.
func (p *parser) nothing() {
	const expected = "a signal database in text form, with messages such as: BO_ 291 Wheels: 8 Drive"
	switch {
	case strings.TrimSpace(p.text) == "":
		p.mistake(0, Error, "an empty file", expected, "there are no messages")
	case !p.sawKeyword:
		p.mistake(0, Error, "no line that begins an entry", expected, "there are no messages")
	default:
		p.mistake(0, Error, "no message in the file", expected, "there are no messages")
	}
}

// entry reads one and says what became of its lines.
func (p *parser) entry() lineClass {
	start := p.at
	lineStart := int(p.lineStarts[p.lineOf(start)-1])
	word := p.keywordAt(lineStart)
	if p.pastBlanks(lineStart) != start {
		word = p.keywordAt(start) // the second on its line
	}
	if word == "" {
		return p.junk(start)
	}
	p.sawKeyword = true
	p.at = start + len(word)
	switch word {
	case "BO_":
		return p.readMessage(start)
	case "SG_":
		return p.readSignal(start)
	case "VAL_":
		return p.readValues()
	case "VAL_TABLE_":
		return p.readValueTable()
	case "CM_":
		return p.readComment()
	case "BA_":
		return p.readAttribute()
	case "BA_DEF_":
		return p.readDefinition()
	case "BA_DEF_DEF_":
		return p.readDefault()
	case "SIG_VALTYPE_":
		return p.readForm()
	case "SG_MUL_VAL_":
		return p.readLink()
	case "BO_TX_BU_":
		return p.readSenders()
	case "VERSION":
		return p.readVersion()
	case "BU_":
		return p.readNodes()
	case "NS_":
		return p.skipSymbols()
	case "BS_":
		p.at = p.lineEnd(p.at)
		p.skipped["BS_"]++
		return lineSkipped
	}
	return p.skipEntry(word)
}

// junk passes lines that begin no entry.
func (p *parser) junk(start int) lineClass {
	found := p.found(start)
	first := p.lineOf(start)
	p.at = p.lineEnd(start)
	p.at = min(p.at+1, len(p.text))
	if p.keywordAt(p.at) == "" && p.at < len(p.text) {
		p.at = start
		p.toEntry()
	}
	done := "line skipped"
	if last := p.lineOf(p.at - 1); last > first {
		done = fmt.Sprintf("skipped, up to line %d", last)
	}
	p.mistake(start, Error, found, "a word that begins an entry, such as BO_, SG_ or CM_", done)
	return lineBad
}

// fail records that the entry cannot be understood from here on, and goes on to
// the next one.
func (p *parser) fail(expected, done string) lineClass {
	return p.failAt(p.at, p.found(p.at), expected, done)
}

func (p *parser) failAt(at int, found, expected, done string) lineClass {
	p.mistake(at, Error, found, expected, done)
	p.toEntry()
	return lineBad
}

// failLine is fail for an entry of one line.
func (p *parser) failLine(at int, found, expected, done string) lineClass {
	p.mistake(at, Error, found, expected, done)
	p.at = p.lineEnd(at)
	return lineBad
}

// end reads the semicolon that ends an entry which is kept.
func (p *parser) end() lineClass {
	last := p.at
	p.skipInside()
	if p.at < len(p.text) && p.text[p.at] == ';' {
		for p.at < len(p.text) && p.text[p.at] == ';' {
			p.at++
		}
		return lineRead
	}
	if p.entryAfter(last) {
		p.warn(last, p.found(last), "a semicolon", "entry kept")
		p.at = last
		return lineRead
	}
	p.mistake(p.at, Error, p.found(p.at), "a semicolon", "entry kept, the rest of it skipped")
	p.toEntry()
	return lineBad
}

// unsignedNumber reads a whole number, with leading zeros and a plus sign or not.
func (p *parser) unsignedNumber() (n uint64, ok bool) {
	p.skipBlanks()
	start := p.at
	if p.at < len(p.text) && p.text[p.at] == '+' {
		p.at++
	}
	n, err := strconv.ParseUint(p.digits(), 10, 64)
	if err != nil {
		p.at = start
		return 0, false
	}
	return n, true
}

// number reads a decimal number. One too large is the largest there is.
func (p *parser) number() (x float64, ok bool) {
	p.skipBlanks()
	start := p.at
	x, ok = parseNumber(p.numeral())
	if !ok {
		p.at = start
	}
	return x, ok
}

// identifier makes the identifier of a number as databases write it: 29-bit
// identifiers with bit 31 set. note is empty if all is well.
func identifier(number uint64) (id bus.ID, note string) {
	const flag = uint64(1) << 31
	bare := number &^ flag
	switch {
	case bare > bus.MaxExtendedNumber:
		return bus.Extended | bus.ID(bare&bus.MaxExtendedNumber), "an identifier of at most 29 bits"
	case number&flag != 0:
		return bus.Extended | bus.ID(bare), ""
	case bare > bus.MaxBaseNumber:
		return bus.Extended | bus.ID(bare), "an 11-bit identifier up to 2047 (7FF), or a 29-bit one with bit 31 set"
	}
	return bus.ID(bare), ""
}
