package signal

import (
	"math"
	"strings"
)

// attribute is what BA_DEF_ says of one: the labels of an enumeration, or none.
type attribute struct {
	labels []string
}

// given is the value of an attribute, of the database or of the object.
type given struct {
	reference
	name  string
	on    string // "", BO_ or SG_
	value string // a number, or the text of a string or an unquoted word
}

// useful are the attributes that mean something here.
var useful = map[string]purpose{
	"genmsgcycletime": cycleTime, "msgcycletime": cycleTime, "cycletime": cycleTime,
	"protocoltype": protocol, "busprotocol": protocol,
	"vframeformat": frameFormat, "messageformat": frameFormat,
	"gensigstartvalue": startValue,
}

type purpose uint8

const (
	noPurpose purpose = iota
	cycleTime
	protocol
	frameFormat
	startValue
)

// purposeOf returns what an attribute is good for. Its name is met in upper and
// lower case, and with blanks, dashes and underscores.
func purposeOf(name string) purpose {
	if p, ok := useful[name]; ok {
		return p
	}
	return useful[strings.NewReplacer(" ", "", "_", "", "-", "", ".", "").Replace(strings.ToLower(name))]
}

// attributeName reads the name in quotes.
func (p *parser) attributeName() (name, expected string) {
	p.skipBlanks()
	if !p.has('"') {
		return "", "an attribute's name in quotes"
	}
	end := strings.IndexByte(p.text[p.at+1:p.lineEnd(p.at)], '"')
	if end < 0 {
		return "", "a name that closes on the same line"
	}
	name = p.text[p.at+1 : p.at+1+end]
	p.at += end + 2
	return name, ""
}

// readDefinition reads an entry such as: BA_DEF_ BO_ "Format" ENUM "a","b";
func (p *parser) readDefinition() lineClass {
	const skipped = "definition skipped"
	p.skipBlanks()
	if !p.has('"') {
		at := p.at
		switch p.word() {
		case "BO_", "SG_", "BU_", "EV_":
		default:
			p.at = at
			return p.fail("BO_, SG_, BU_, EV_ or an attribute's name in quotes", skipped)
		}
	}
	name, expected := p.attributeName()
	if expected != "" {
		return p.fail(expected, skipped)
	}
	p.skipBlanks()
	at := p.at
	var a attribute
	switch kind := p.word(); kind {
	case "INT", "HEX", "FLOAT":
		for p.numeral() != "" {
		}
	case "STRING":
	case "ENUM":
		if a.labels, expected = p.enumeration(); expected != "" {
			return p.fail(expected, skipped)
		}
	default:
		p.at = at
		return p.fail("INT, HEX, FLOAT, STRING or ENUM", skipped)
	}
	p.definitions[name] = a
	class := p.end()
	if purposeOf(name) == noPurpose {
		p.skipped["BA_DEF_ of no use here"]++
		class = max(class, lineSkipped)
	}
	return class
}

// enumeration reads labels with commas between them, in quotes or not.
func (p *parser) enumeration() (labels []string, expected string) {
	for {
		p.skipInside()
		switch {
		case p.has('"'):
			text, closed := p.quoted(closeList)
			if !closed {
				return nil, "a label that closes"
			}
			labels = append(labels, text)
		default:
			word := p.word()
			if word == "" {
				return labels, ""
			}
			labels = append(labels, word)
		}
		before := p.at
		p.skipInside()
		if !p.take(',') {
			p.at = before
			return labels, ""
		}
	}
}

// attributeValue reads a number, a string or a word.
func (p *parser) attributeValue() (value, expected string) {
	p.skipInside()
	if p.has('"') {
		text, closed := p.quoted(closeEntry)
		if !closed {
			return "", "a string that closes: a quote and a semicolon"
		}
		return text, ""
	}
	value = p.word()
	if value == "" && !p.has(';') {
		return "", "the attribute's value"
	}
	return value, ""
}

// readDefault reads an entry such as: BA_DEF_DEF_ "Format" "a";
func (p *parser) readDefault() lineClass {
	p.skipBlanks()
	at := p.at
	name, expected := p.attributeName()
	if expected == "" {
		var value string
		if value, expected = p.attributeValue(); expected == "" {
			if purposeOf(name) == noPurpose {
				p.skipped["BA_DEF_DEF_ of no use here"]++
				return max(p.end(), lineSkipped)
			}
			p.defaults[name] = given{reference: reference{at: at}, name: name, value: value}
			return p.end()
		}
	}
	return p.fail(expected, "default skipped")
}

// readAttribute reads an entry such as: BA_ "Period" BO_ 291 100;
func (p *parser) readAttribute() lineClass {
	const skipped = "attribute skipped"
	p.skipBlanks()
	nameAt := p.at
	name, expected := p.attributeName()
	if expected != "" {
		return p.fail(expected, skipped)
	}
	g := given{name: name, reference: reference{at: nameAt}}
	p.skipBlanks()
	at := p.at
	if !p.has('"') {
		switch g.on = p.word(); g.on {
		case "SG_":
			g.reference, expected = p.readReference()
		case "BO_":
			p.skipBlanks()
			g.at = p.at
			number, ok := p.unsignedNumber()
			if g.number = number; !ok || number > math.MaxUint32 {
				p.at, expected = g.at, "a message's identifier, a number from 0 to 4294967295"
			}
		case "BU_", "EV_":
			if p.word() == "" {
				expected = "a name"
			}
		default:
			p.at, g.on = at, ""
		}
	}
	if expected == "" {
		g.value, expected = p.attributeValue()
	}
	if expected != "" {
		return p.fail(expected, skipped)
	}
	class := p.end()
	if purposeOf(name) == noPurpose || g.on == "BU_" || g.on == "EV_" {
		p.skipped["BA_ of no use here"]++
		return max(class, lineSkipped)
	}
	p.given = append(p.given, g)
	return class
}
