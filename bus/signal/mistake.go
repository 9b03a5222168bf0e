package signal

import (
	"fmt"
	"sort"
	"strconv"
	"unicode/utf8"
)

// Severity says what became of an entry with a mistake.
type Severity uint8

// The severities.
const (
	Warning Severity = iota // understood, and kept or without effect
	Error                   // not understood or impossible: skipped
)

// String returns "warning" or "error".
func (s Severity) String() string {
	if s == Error {
		return "error"
	}
	return "warning"
}

// Mistake is one mistake of a file, and what was done about it.
type Mistake struct {
	File     string
	Line     int // from 1
	Column   int // in characters, from 1; a tab is one
	Severity Severity
	Found    string
	Expected string
	Done     string
}

// Error returns the mistake as one line: file:line:column: severity: what was
// found, what is expected; what was done.
func (m Mistake) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s: found %s, expected %s; %s", m.File, m.Line, m.Column, m.Severity, m.Found, m.Expected, m.Done)
}

// mistake records one at a place of the text.
func (p *parser) mistake(at int, severity Severity, found, expected, done string) {
	line, column := p.position(at)
	p.mistakes = append(p.mistakes, Mistake{p.db.Name, line, column, severity, found, expected, done})
}

func (p *parser) warn(at int, found, expected, done string) {
	p.mistake(at, Warning, found, expected, done)
}

// lineOf returns the line of a place, from 1.
func (p *parser) lineOf(at int) int {
	return sort.Search(len(p.lineStarts), func(i int) bool { return int(p.lineStarts[i]) > at })
}

// located is the place looked up last: counting goes on from it, so that many
// mistakes on one long line cost no more than as many lines.
type located struct{ at, line, column int }

func (p *parser) position(at int) (line, column int) {
	line = p.lineOf(at)
	from, column := int(p.lineStarts[line-1]), 1
	if p.last.line == line && p.last.at <= at {
		from, column = p.last.at, p.last.column
	}
	column += utf8.RuneCountInString(p.text[from:min(at, len(p.text))])
	p.last = located{at, line, column}
	return line, column
}

// found describes what stands at a place.
func (s *scanner) found(at int) string {
	if at >= len(s.text) {
		return "the end of the file"
	}
	if s.text[at] == '\n' {
		return "the end of the line"
	}
	end := at
	for end < len(s.text) && !isBlank(s.text[end]) && s.text[end] != '\n' {
		end++
	}
	return excerpt(s.text[at:end])
}

// excerpt quotes the beginning of a text, so that a mistake stays one short line.
func excerpt(text string) string {
	const most = 32
	if len(text) <= most {
		return strconv.Quote(text)
	}
	end := most
	for !utf8.RuneStart(text[end]) {
		end--
	}
	return strconv.Quote(text[:end]) + "..."
}
