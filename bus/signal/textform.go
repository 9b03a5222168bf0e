package signal

import (
	"bytes"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// windows1252 holds the characters of the bytes 80 to 9F. The five that the code
// page leaves open are the control characters of the same number, so that all
// 256 bytes have a character (WHATWG Encoding Standard, index windows-1252).
var windows1252 = [32]rune{
	'€', 0x81, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0x8D, 'Ž', 0x8F,
	0x90, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0x9D, 'ž', 'Ÿ',
}

// databaseText makes text of a file's bytes: the byte order mark and what old
// editors leave at the end are gone, bytes that are not UTF-8 are taken as
// Windows-1252, and lines end in \n alone.
func databaseText(file []byte) string {
	text, ok := fromUTF16(file)
	if !ok {
		file = bytes.TrimPrefix(file, []byte("\xEF\xBB\xBF"))
		text = fromBytes(withoutEnd(file))
	}
	if strings.IndexByte(text, '\r') >= 0 {
		text = strings.ReplaceAll(text, "\r\n", "\n")
		text = strings.ReplaceAll(text, "\r", "\n")
	}
	return text
}

// withoutEnd cuts the marks off by which old programs ended files.
func withoutEnd(file []byte) []byte {
	end := bytes.TrimRight(file, "\x00\x1A \t\r\n")
	if bytes.ContainsAny(file[len(end):], "\x00\x1A") {
		return end
	}
	return file
}

func fromBytes(file []byte) string {
	if utf8.Valid(file) {
		return string(file)
	}
	var text strings.Builder
	text.Grow(len(file) + len(file)/8)
	for _, b := range file {
		switch {
		case b < 0x80:
			text.WriteByte(b)
		case b < 0xA0:
			text.WriteRune(windows1252[b-0x80])
		default:
			text.WriteRune(rune(b))
		}
	}
	return text.String()
}

// fromUTF16 reads text that begins with a byte order mark of UTF-16.
func fromUTF16(file []byte) (text string, ok bool) {
	if len(file) < 2 || len(file)%2 != 0 {
		return "", false
	}
	high := 0
	switch {
	case file[0] == 0xFF && file[1] == 0xFE:
		high = 1
	case file[0] != 0xFE || file[1] != 0xFF:
		return "", false
	}
	units := make([]uint16, 0, len(file)/2)
	for i := 2; i < len(file); i += 2 {
		units = append(units, uint16(file[i+high])<<8|uint16(file[i+1-high]))
	}
	return strings.TrimRight(string(utf16.Decode(units)), "\x00\x1A"), true
}
