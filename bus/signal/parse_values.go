package signal

import (
	"math"
	"strconv"
	"strings"
)

// reference names a message, or a signal of one, at a place of the text.
type reference struct {
	at     int
	number uint64 // identifier as written
	signal string // "" for the message itself
}

// readReference reads an identifier and the name of a signal.
func (p *parser) readReference() (r reference, expected string) {
	p.skipBlanks()
	r.at = p.at
	number, ok := p.unsignedNumber()
	if !ok || number > math.MaxUint32 {
		p.at = r.at
		return r, "a message's identifier, a number from 0 to 4294967295"
	}
	r.number = number
	if r.signal = p.word(); r.signal == "" {
		return r, "the name of a signal"
	}
	return r, ""
}

// valuesOf gives a signal its labels, from a table of this name or directly.
type valuesOf struct {
	reference
	table  string
	labels []Label
}

// readValues reads an entry such as: VAL_ 291 Gear 0 "neutral" 1 "field" ;
func (p *parser) readValues() lineClass {
	p.skipBlanks()
	if p.at < len(p.text) && !isDigit(p.text[p.at]) && p.onlyVariable() {
		return p.skipEntry("VAL_ of an environment variable")
	}
	r, expected := p.readReference()
	if expected != "" {
		return p.fail(expected, "labels skipped")
	}
	p.skipBlanks()
	if p.at < len(p.text) && notInNumbers(p.text[p.at]) {
		if table := p.word(); table != "" {
			p.values = append(p.values, valuesOf{reference: r, table: table})
			return p.end()
		}
	}
	labels, class := p.labels()
	if len(labels) > 0 || class != lineBad {
		p.values = append(p.values, valuesOf{reference: r, labels: labels})
	}
	return class
}

// onlyVariable reports whether a name and a label follow.
func (p *parser) onlyVariable() bool {
	ahead := scanner{text: p.text, at: p.at}
	return ahead.word() != "" && (ahead.numeral() != "" || ahead.has(';'))
}

func notInNumbers(c byte) bool { return !isDigit(c) && strings.IndexByte("+-.", c) < 0 }

// labels reads numbers and their labels through the semicolon.
func (p *parser) labels() (labels []Label, class lineClass) {
	for {
		before := p.at
		p.skipInside()
		if p.at >= len(p.text) || notInNumbers(p.text[p.at]) {
			p.at = before
			return labels, p.end()
		}
		at := p.at
		numeral := p.numeral()
		x, ok := parseNumber(numeral)
		if !ok {
			p.at = at
			return labels, p.fail("a number and its label", "the entry's other labels skipped")
		}
		label := Label{Value: x}
		if n, err := strconv.ParseInt(numeral, 10, 64); err == nil {
			label.raw, label.ok = uint64(n), true
		} else if n, err := strconv.ParseUint(strings.TrimPrefix(numeral, "+"), 10, 64); err == nil {
			label.raw, label.ok = n, true
		} else if x == math.Trunc(x) && math.Abs(x) < 1<<53 {
			label.raw, label.ok = uint64(int64(x)), true
		}
		p.skipInside()
		if !p.has('"') {
			return labels, p.fail("a label in quotes", "the entry's other labels skipped")
		}
		text, closed := p.quoted(closeLabel)
		if !closed {
			return labels, p.fail("a label that closes", "the entry's other labels skipped")
		}
		label.Text = text
		labels = append(labels, label)
	}
}

func (p *parser) readValueTable() lineClass {
	name := p.word()
	if name == "" {
		return p.fail("the name of the value table", "table skipped")
	}
	labels, class := p.labels()
	p.db.ValueTables = append(p.db.ValueTables, ValueTable{name, labels})
	return class
}

type commentOn struct {
	reference
	text string
}

// readComment reads an entry such as: CM_ SG_ 291 Gear "the gear engaged";
func (p *parser) readComment() lineClass {
	p.skipInside()
	var r reference
	node := ""
	if !p.has('"') {
		at := p.at
		on := p.word()
		var expected string
		switch on {
		case "SG_":
			r, expected = p.readReference()
		case "BO_":
			p.skipBlanks()
			r.at = p.at
			number, ok := p.unsignedNumber()
			if r.number = number; !ok || number > math.MaxUint32 {
				p.at, expected = r.at, "a message's identifier, a number from 0 to 4294967295"
			}
		case "BU_", "EV_":
			if node = p.word(); node == "" {
				expected = "a name"
			}
		default:
			p.at, expected = at, "BO_, SG_, BU_, EV_ or a comment in quotes"
		}
		if expected != "" {
			return p.fail(expected, "comment skipped")
		}
		p.skipInside()
		if !p.has('"') {
			return p.fail("the comment in quotes", "comment skipped")
		}
		node += on
	}
	text, closed := p.quoted(closeEntry)
	switch {
	case !closed:
		return p.failAt(p.at, p.found(p.at), "a comment that closes: a quote and a semicolon", "comment skipped")
	case node == "":
		p.db.Comment = text
	case node == "SG_" || node == "BO_":
		p.comments = append(p.comments, commentOn{r, text})
	default:
		p.skipped["CM_ "+node[len(node)-3:]]++
		return max(p.end(), lineSkipped)
	}
	return p.end()
}

// formOf says that a signal is a floating point number.
type formOf struct {
	reference
	bits int
}

// readForm reads an entry such as: SIG_VALTYPE_ 291 Torque : 1;
func (p *parser) readForm() lineClass {
	r, expected := p.readReference()
	if expected != "" {
		return p.fail(expected, "entry skipped")
	}
	p.take(':')
	p.skipBlanks()
	at := p.at
	form, ok := p.unsignedNumber()
	if !ok || form > 2 {
		p.at = at
		return p.fail("0 (integer), 1 (floating point of 32 bits) or 2 (64 bits)", "entry skipped")
	}
	r.at = at
	p.forms = append(p.forms, formOf{r, 32 * int(form)})
	return p.end()
}

// link says which values of which selector a signal is present on.
type link struct {
	reference
	selector string
	values   []ValueRange
}

// readLink reads an entry such as: SG_MUL_VAL_ 291 Pressure Mode 0-3, 7-7;
func (p *parser) readLink() lineClass {
	const skipped = "entry skipped"
	r, expected := p.readReference()
	if expected != "" {
		return p.fail(expected, skipped)
	}
	l := link{reference: r, selector: p.word()}
	if l.selector == "" {
		return p.fail("the name of the selector", skipped)
	}
	for {
		p.skipInside()
		at := p.at
		low, ok := p.unsignedNumber()
		if !ok {
			return p.fail("a range of the selector's values, such as 0-3", skipped)
		}
		high := low
		if p.take('-') {
			if high, ok = p.unsignedNumber(); !ok {
				return p.fail("the end of a range", skipped)
			}
		}
		if high < low {
			return p.failAt(at, p.found(at), "the lower end of the range first", skipped)
		}
		l.values = append(l.values, ValueRange{low, high})
		if !p.take(',') && !(p.at < len(p.text) && isDigit(p.text[p.at])) {
			break
		}
	}
	p.links = append(p.links, l)
	return p.end()
}

type sendersOf struct {
	reference
	names []string
}

// readSenders reads an entry such as: BO_TX_BU_ 291 : Drive,Display;
func (p *parser) readSenders() lineClass {
	p.skipBlanks()
	r := reference{at: p.at}
	number, ok := p.unsignedNumber()
	if !ok || number > math.MaxUint32 {
		p.at = r.at
		return p.fail("a message's identifier, a number from 0 to 4294967295", "senders skipped")
	}
	r.number = number
	p.take(':')
	var names []string
	for {
		name := p.word()
		if name != "" && name != nobody {
			names = append(names, name)
		}
		if name == "" && !p.take(',') {
			break
		}
	}
	p.senders = append(p.senders, sendersOf{r, names})
	return p.end()
}
