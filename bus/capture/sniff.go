package capture

import (
	"bytes"
	"fmt"
	"io"
	"strings"
)

// FormatError says that a file is no capture and what one looks like.
type FormatError struct {
	Name  string
	Lines []BadLine // the first lines and why each is no frame
	Hint  string    // what the file seems to be, or what is missing; may be ""
}

// Expected shows the shapes that are read.
const Expected = `expected a SocketCAN text log, one frame a line:
  (1522028512.233563) can0 254#918FFE0603A60FFF
or CSV with a time, an identifier and data, best with column names:
  time_s,id,data
  0.001250,254,918FFE0603A60FFF`

// Error returns a message of several lines.
func (e *FormatError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s is no capture", e.Name)
	if e.Hint != "" {
		fmt.Fprintf(&b, ": %s", e.Hint)
	}
	for _, l := range e.Lines {
		fmt.Fprintf(&b, "\n  %s", l)
	}
	b.WriteString("\n" + Expected)
	return b.String()
}

func nothing(name string, bad []BadLine, hint string) *FormatError {
	return &FormatError{Name: name, Lines: append([]BadLine(nil), bad[:min(len(bad), 3)]...), Hint: hint}
}

// magics are the first bytes of files that are met where a capture is expected.
var magics = []struct{ begins, is string }{
	{"\x1f\x8b", "it is compressed (gzip); unpack it first"},
	{"\x28\xb5\x2f\xfd", "it is compressed (Zstandard); unpack it first"},
	{"PK\x03\x04", "it is a ZIP archive or a spreadsheet; unpack it, or save it as CSV"},
	{"BZh", "it is compressed (bzip2); unpack it first"},
	{"\xfd7zXZ", "it is compressed (xz); unpack it first"},
	{"\xd4\xc3\xb2\xa1", "it is a pcap file"},
	{"\xa1\xb2\xc3\xd4", "it is a pcap file"},
	{"\x4d\x3c\xb2\xa1", "it is a pcap file"},
	{"\xa1\xb2\x3c\x4d", "it is a pcap file"},
	{"\x0a\x0d\x0d\x0a", "it is a pcapng file"},
	{"\xff\xd8\xff", "it is a photo (JPEG)"},
	{"\x89PNG", "it is an image (PNG)"},
	{"\xff\xfe", "it is UTF-16 text; save it as UTF-8"},
	{"\xfe\xff", "it is UTF-16 text; save it as UTF-8"},
	{"VERSION \"", "it is a signal database"},
}

// byteOrderMark begins some UTF-8 files.
const byteOrderMark = "\xef\xbb\xbf"

// sniff tells the shape of the file and sets the parser.
func (r *Reader) sniff() error {
	name := r.tally.r.Name
	if bytes.HasPrefix(r.lines.head(), []byte(byteOrderMark)) {
		r.lines.pos += len(byteOrderMark)
	}
	head := r.lines.head()
	if len(head) == 0 {
		return nothing(name, nil, "the file is empty")
	}
	for _, m := range magics {
		if bytes.HasPrefix(head, []byte(m.begins)) {
			return nothing(name, nil, m.is)
		}
	}
	sample := sampleLines(head, r.lines.err == io.EOF)
	for i, line := range sample {
		sample[i] = line[:min(len(line), r.o.MaxLine)]
	}
	if r.o.Shape != CSV && textual(sample) || r.o.Shape == TextLog {
		r.tally.r.Shape = TextLog
		r.text = &textParser{tally: &r.tally}
		r.parser = r.text
		return nil
	}
	hint := ""
	if r.o.Shape != TextLog {
		l, why, ok := detect(sample, r.o)
		if ok {
			r.tally.r.Shape = CSV
			r.tally.r.Layout = l.notes
			r.skipped = l.skip
			r.parser = &csvParser{layout: l, tally: &r.tally}
			return nil
		}
		hint = why
	}
	return nothing(name, r.firstBad(sample), noText(head, hint))
}

// textual reports whether a line of the sample is one of a text log.
func textual(sample [][]byte) bool {
	p := textParser{tally: new(tally)}
	for _, line := range sample {
		if len(line) > 0 && p.parse(line, new(entry)) == "" {
			return true
		}
	}
	return false
}

// firstBad says of the first lines why they are no frames.
func (r *Reader) firstBad(sample [][]byte) []BadLine {
	p := textParser{tally: new(tally)}
	var bad []BadLine
	for i, line := range sample {
		if len(line) == 0 || comment(line) || len(bad) == 3 {
			continue
		}
		reason := p.parse(line, new(entry))
		if reason == reasonNoStamp && bytes.IndexAny(line, ",;\t") < 0 {
			reason += ", and no columns separated by comma, semicolon or tab"
		} else if reason == reasonNoStamp {
			reason = "neither column names nor a row of time, identifier and data"
		}
		bad = append(bad, badLine(int64(i+1), line, reason))
	}
	return bad
}

// noText says when a file is no text at all.
func noText(head []byte, hint string) string {
	odd := 0
	for _, c := range head {
		if c < ' ' && c != '\n' && c != '\r' && c != '\t' {
			odd++
		}
	}
	if odd == len(head) {
		return "it holds nothing but control bytes"
	}
	if odd*50 > len(head) {
		return "it is a binary file"
	}
	return hint
}
