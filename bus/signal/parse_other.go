package signal

import "strings"

// skipSymbols passes the list of words after NS_, which say nothing: one to a
// line, and many of them begin entries elsewhere.
func (p *parser) skipSymbols() lineClass {
	p.take(':')
	for p.at < len(p.text) {
		p.at = p.lineEnd(p.at)
		next := min(p.at+1, len(p.text))
		at := p.pastBlanks(next)
		end := at
		for end < len(p.text) && (p.text[end] == '_' || 'A' <= p.text[end] && p.text[end] <= 'Z') {
			end++
		}
		if last := p.pastBlanks(end); last < len(p.text) && p.text[last] != '\n' || next >= len(p.text) {
			break
		}
		p.at = next
	}
	p.skipped["NS_"]++
	return lineSkipped
}

// skipEntry passes an entry that is of no use here, through its semicolon.
func (p *parser) skipEntry(word string) lineClass {
	p.skipped[word]++
	for p.at < len(p.text) {
		n := strings.IndexAny(p.text[p.at:], "\";\n")
		if n < 0 {
			p.at = len(p.text)
			return lineSkipped
		}
		p.at += n
		switch p.text[p.at] {
		case ';':
			p.at++
			return lineSkipped
		case '\n':
			if p.keywordAt(p.at+1) != "" {
				return lineSkipped
			}
		default:
			if _, closed := p.quoted(closeAnywhere); closed {
				continue
			}
		}
		p.at++
	}
	return lineSkipped
}

func (p *parser) readVersion() lineClass {
	p.skipBlanks()
	if !p.has('"') {
		return p.failLine(p.at, p.found(p.at), "the version in quotes", "version skipped")
	}
	text, closed := p.quoted(closeLine)
	if !closed {
		return p.failLine(p.at, p.found(p.at), "a string that closes", "version skipped")
	}
	p.db.Version = text
	p.take(';')
	return lineRead
}

// readNodes reads the names of the nodes, which may take several lines.
func (p *parser) readNodes() lineClass {
	if !p.take(':') {
		return p.failLine(p.at, p.found(p.at), "a colon", "nodes skipped")
	}
	for {
		for !p.atLineEnd() {
			name := p.word()
			if name == "" {
				if p.take(';') || p.take(',') {
					continue
				}
				return p.failLine(p.at, p.found(p.at), "the name of a node", "rest of the line skipped")
			}
			p.db.Nodes = append(p.db.Nodes, name)
		}
		next := p.pastSpace(p.at)
		start := int(p.lineStarts[p.lineOf(next)-1])
		if next >= len(p.text) || p.keywordAt(start) != "" || !p.onlyNames(next) {
			return lineRead
		}
		p.at = next
	}
}

// onlyNames reports whether the rest of the line is nothing but names.
func (p *parser) onlyNames(at int) bool {
	ahead := scanner{text: p.text, at: at}
	for !ahead.atLineEnd() {
		if ahead.word() == "" {
			return false
		}
	}
	return true
}
