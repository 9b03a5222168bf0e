package signal

import "strings"

// closing says what may follow a string. Quotes inside strings are often not
// escaped: a quote that is not followed so is one of them.
type closing uint8

const (
	closeEntry    closing = iota // ; or the end of the entry
	closeList                    // , or ; or the end of the entry
	closeLabel                   // a number and a quote, or ; or the end of the entry
	closeLine                    // the end of the line
	closeAnywhere                // any of those, and any number; never beyond the next entry with a string
	closings      = iota
)

// quoted returns the text of the string that begins here and passes it. Where it
// does not close, nothing is passed. Strings may hold ends of lines, and lines
// that look like entries; it counts as not closed if the first quote on such a
// line begins a string.
func (s *scanner) quoted(kind closing) (text string, closed bool) {
	start := s.at + 1
	if known := s.unclosed[kind]; known.from <= s.at && s.at < known.to {
		return "", false
	}
	for at := start; ; {
		n := strings.IndexByte(s.text[at:], '"')
		if n < 0 {
			s.unclosed[kind] = span{s.at, len(s.text)}
			return "", false
		}
		quote := at + n
		fresh := strings.LastIndexByte(s.text[at:quote], '\n') // the line's first quote
		isEntry := fresh >= 0 && s.keywordAt(at+fresh+1) != ""
		if s.closesAt(kind, quote) && !(kind == closeAnywhere && isEntry) {
			s.at = quote + 1
			return unescape(s.text[start:quote]), true
		}
		if isEntry {
			s.unclosed[kind] = span{s.at, quote}
			return "", false
		}
		at = quote + 1
	}
}

func (s *scanner) closesAt(kind closing, quote int) bool {
	if s.escaped(quote) {
		// A text that ends in a backslash.
		next := s.pastBlanks(quote + 1)
		return next < len(s.text) && s.text[next] == ';' && s.entryAfter(next+1)
	}
	after := quote + 1
	if kind == closeLine {
		next := s.pastBlanks(after)
		return next >= len(s.text) || strings.IndexByte("\n;", s.text[next]) >= 0
	}
	next := s.pastSpace(after)
	if next >= len(s.text) {
		return true
	}
	if s.text[next] == ';' {
		return s.entryEndsAt(next)
	}
	c := s.text[next]
	switch kind {
	case closeList:
		return c == ',' || s.entryAfter(after)
	case closeLabel:
		return s.labelAfter(after, next) || s.entryAfter(after)
	case closeAnywhere:
		return c == ',' || isDigit(c) || strings.IndexByte("+-.", c) >= 0 || strings.IndexByte(s.text[after:next], '\n') >= 0
	}
	return s.entryAfter(after)
}

// entryEndsAt reports whether the semicolon here ends an entry and is not one
// inside a string: text and another quote on the same line speak for the latter.
func (s *scanner) entryEndsAt(semicolon int) bool {
	next := s.pastBlanks(semicolon + 1)
	if next >= len(s.text) || s.text[next] == '\n' || s.text[next] == ';' || s.keywordAt(next) != "" || strings.HasPrefix(s.text[next:], "//") {
		return true
	}
	quote := strings.IndexByte(s.text[next:], '"')
	return quote < 0 || strings.IndexByte(s.text[next:next+quote], '\n') >= 0
}

// escaped reports whether an odd number of backslashes stands before the place.
func (s *scanner) escaped(at int) bool {
	n := 0
	for at-n > 0 && s.text[at-n-1] == '\\' {
		n++
	}
	return n%2 == 1
}

// labelAfter reports whether the next label follows: a number and a quote, with
// space before or after the number, or else it is an inner quote and a digit.
func (s *scanner) labelAfter(after, next int) bool {
	end := next
	for end < len(s.text) && strings.IndexByte("+-.0123456789eE", s.text[end]) >= 0 {
		end++
	}
	if end > next && (s.pastBlanks(end) < len(s.text) && s.text[s.pastBlanks(end)] == ';' || s.entryAfter(end)) {
		return next > after // a number without its label
	}
	quote := s.pastSpace(end)
	if end == next || quote >= len(s.text) || s.text[quote] != '"' {
		return false
	}
	return quote > end || next > after && quote+1 < len(s.text) && s.text[quote+1] != ' '
}

// unit returns the text of the string that begins here and ends on the same line
// at the last quote of it, since none can follow. Else it is one of several lines,
// or does not close.
func (s *scanner) unit() (text string, closed bool) {
	start := s.at + 1
	end := s.lineEnd(s.at)
	line := s.text[start:end]
	if n := strings.Index(line, " //"); n >= 0 && strings.IndexByte(line[:n], '"') >= 0 {
		line = line[:n]
	}
	if n := strings.LastIndexByte(line, '"'); n >= 0 {
		s.at = start + n + 1
		return unescape(line[:n]), true
	}
	for next := end; next < len(s.text); next = s.lineEnd(next + 1) {
		if s.keywordAt(next+1) != "" {
			return "", false
		}
		line := s.text[next+1 : s.lineEnd(next+1)]
		if n := strings.LastIndexByte(line, '"'); n >= 0 {
			s.at = next + 1 + n + 1
			return unescape(s.text[start : s.at-1]), true
		}
	}
	return "", false
}

func unescape(text string) string {
	if strings.IndexByte(text, '\\') < 0 {
		return text
	}
	return strings.ReplaceAll(text, `\"`, `"`)
}
