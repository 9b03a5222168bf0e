package signal

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// scanner walks over the text of a database. Lines end in \n.
type scanner struct {
	text     string
	at       int
	unclosed [closings]span // where no string of the kind closes, see quoted
}

type span struct{ from, to int }

// keywords are the words that begin an entry.
var keywords = map[string]bool{
	"VERSION": true, "NS_": true, "BS_": true, "BU_": true, "VAL_TABLE_": true, "BO_": true, "SG_": true,
	"BO_TX_BU_": true, "EV_": true, "ENVVAR_DATA_": true, "EV_DATA_": true, "SGTYPE_": true, "SGTYPE_VAL_": true,
	"SIG_TYPE_REF_": true, "SIG_GROUP_": true, "SIG_VALTYPE_": true, "SIGTYPE_VALTYPE_": true, "SG_MUL_VAL_": true,
	"CM_": true, "BA_DEF_": true, "BA_DEF_REL_": true, "BA_DEF_SGTYPE_": true, "BA_DEF_DEF_": true,
	"BA_DEF_DEF_REL_": true, "BA_": true, "BA_REL_": true, "BA_SGTYPE_": true, "VAL_": true, "CAT_DEF_": true,
	"CAT_": true, "FILTER": true, "NS_DESC_": true, "BU_SG_REL_": true, "BU_EV_REL_": true, "BU_BO_REL_": true,
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' || c == '\v' || c == '\f' }

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// pastBlanks returns the first place from at that is no blank; a no-break space
// is one.
func (s *scanner) pastBlanks(at int) int {
	for at < len(s.text) {
		switch {
		case isBlank(s.text[at]):
			at++
		case strings.HasPrefix(s.text[at:], "\u00A0"):
			at += len("\u00A0")
		default:
			return at
		}
	}
	return at
}

// pastSpace passes blanks, ends of lines and remarks.
func (s *scanner) pastSpace(at int) int {
	for {
		at = s.pastBlanks(at)
		switch {
		case at < len(s.text) && s.text[at] == '\n':
			at++
		case strings.HasPrefix(s.text[at:], "//"):
			at = s.lineEnd(at)
		default:
			return at
		}
	}
}

// lineEnd returns the place of the end of the line.
func (s *scanner) lineEnd(at int) int {
	if n := strings.IndexByte(s.text[at:], '\n'); n >= 0 {
		return at + n
	}
	return len(s.text)
}

// keywordAt returns the keyword that the line of which at is the start begins
// with, or "".
func (s *scanner) keywordAt(at int) string {
	at = s.pastBlanks(at)
	end := at
	for end < len(s.text) && (s.text[end] == '_' || 'A' <= s.text[end] && s.text[end] <= 'Z') {
		end++
	}
	word := s.text[at:end]
	if !keywords[word] {
		return ""
	}
	if end < len(s.text) && !isBlank(s.text[end]) && !strings.ContainsRune("\n:\";", rune(s.text[end])) {
		return ""
	}
	return word
}

// entryAfter reports whether from here on the line has nothing more, and the next
// line with something begins an entry or there is none.
func (s *scanner) entryAfter(at int) bool {
	next := s.pastSpace(at)
	if next >= len(s.text) {
		return true
	}
	newline := strings.LastIndexByte(s.text[at:next], '\n')
	return newline >= 0 && s.keywordAt(at+newline+1) != ""
}

func (s *scanner) skipBlanks() { s.at = s.pastBlanks(s.at) }

// skipInside is skipSpace within an entry: it does not go on to the next one.
func (s *scanner) skipInside() {
	if s.entryAfter(s.at) {
		s.skipBlanks()
		return
	}
	s.skipSpace()
}

func (s *scanner) skipSpace() { s.at = s.pastSpace(s.at) }

// has reports whether the character stands here, after blanks.
func (s *scanner) has(c byte) bool {
	s.skipBlanks()
	return s.at < len(s.text) && s.text[s.at] == c
}

// take is has, and passes the character.
func (s *scanner) take(c byte) bool {
	if !s.has(c) {
		return false
	}
	s.at++
	return true
}

// atLineEnd reports whether only blanks and a remark are left of the line.
func (s *scanner) atLineEnd() bool {
	s.skipBlanks()
	return s.at >= len(s.text) || s.text[s.at] == '\n' || strings.HasPrefix(s.text[s.at:], "//")
}

// word returns the run of characters here, after blanks, that can be a name: real
// files have names that begin with a digit or hold dashes and dots. It is "" where
// none stands.
func (s *scanner) word() string {
	s.skipBlanks()
	start := s.at
	for s.at < len(s.text) {
		c := s.text[s.at]
		if c < utf8.RuneSelf {
			if c <= ' ' || c == 0x7F || strings.IndexByte(`:;,|@()[]"`, c) >= 0 {
				break
			}
			s.at++
			continue
		}
		r, size := utf8.DecodeRuneInString(s.text[s.at:])
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			break
		}
		s.at += size
	}
	return s.text[start:s.at]
}

// numeral returns the run of characters here, after blanks, that a number is made
// of.
func (s *scanner) numeral() string {
	s.skipBlanks()
	start := s.at
	for s.at < len(s.text) {
		c := s.text[s.at]
		if !isDigit(c) && c != '+' && c != '-' && c != '.' && c|0x20 != 'e' {
			break
		}
		s.at++
	}
	return s.text[start:s.at]
}

// digits returns the run of digits here, after blanks.
func (s *scanner) digits() string {
	s.skipBlanks()
	start := s.at
	for s.at < len(s.text) && isDigit(s.text[s.at]) {
		s.at++
	}
	return s.text[start:s.at]
}

// toEntry goes on to the start of the next line that begins an entry outside a
// string, or to the end.
func (s *scanner) toEntry() {
	for s.at < len(s.text) {
		n := strings.IndexAny(s.text[s.at:], "\"\n")
		if n < 0 {
			s.at = len(s.text)
			return
		}
		s.at += n
		if s.text[s.at] == '\n' {
			s.at++
			if s.keywordAt(s.at) != "" {
				return
			}
			continue
		}
		quote := s.at
		if _, closed := s.quoted(closeAnywhere); !closed {
			s.at = quote + 1 // a stray one
		}
	}
}
