package capture

import (
	"bytes"
	"compress/gzip"
	"errors"
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
  0.001250,254,918FFE0603A60FFF
or pcap or pcapng of link type 227, each also compressed (gzip);
lines of any other form need a line template`

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
	{"\x1f\x8b", "it is compressed (gzip) twice; unpack it first"},
	{"\x28\xb5\x2f\xfd", "it is compressed (Zstandard); unpack it first"},
	{"PK\x03\x04", "it is a ZIP archive or a spreadsheet; unpack it, or save it as CSV"},
	{"BZh", "it is compressed (bzip2); unpack it first"},
	{"\xfd7zXZ", "it is compressed (xz); unpack it first"},
	{"\xff\xd8\xff", "it is a photo (JPEG)"},
	{"\x89PNG", "it is an image (PNG)"},
	{"\xff\xfe", "it is UTF-16 text; save it as UTF-8"},
	{"\xfe\xff", "it is UTF-16 text; save it as UTF-8"},
	{"%PDF", "it is a PDF document"},
	{"GIF8", "it is an image (GIF)"},
}

// packetMagics are the first bytes of files of packets: pcap in both byte orders
// with micro- and nanoseconds, and pcapng.
var packetMagics = []struct {
	begins string
	shape  Shape
}{
	{"\xd4\xc3\xb2\xa1", PCAP}, {"\xa1\xb2\xc3\xd4", PCAP}, {"\x4d\x3c\xb2\xa1", PCAP}, {"\xa1\xb2\x3c\x4d", PCAP},
	{"\x0a\x0d\x0d\x0a", PCAPNG},
}

// byteOrderMark begins some UTF-8 files.
const byteOrderMark = "\xef\xbb\xbf"

// unpack puts a decompressor between the file and the lines where the file is
// compressed.
func (p *part) unpack() error {
	head := p.lines.head()
	if !bytes.HasPrefix(head, []byte("\x1f\x8b")) {
		return nil
	}
	rest := p.lines.from
	if p.lines.err != nil {
		rest = failing{p.lines.err}
	}
	z, err := gzip.NewReader(io.MultiReader(bytes.NewReader(head), rest))
	if err != nil {
		return nothing(p.tally.r.Name, nil, "it begins like compressed data (gzip), but: "+err.Error())
	}
	p.lines = newLines(unpacked{z}, p.o.MaxLine)
	p.tally.r.Compressed = 1
	return nil
}

// unpacked reads compressed data whose end may be missing.
type unpacked struct{ from io.Reader }

func (u unpacked) Read(b []byte) (int, error) {
	n, err := u.from.Read(b)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = errTruncated
	}
	return n, err
}

// sniff tells the shape of the file and sets the parser.
func (p *part) sniff() error {
	name, r := p.tally.r.Name, &p.tally.r
	if bytes.HasPrefix(p.lines.head(), []byte(byteOrderMark)) {
		p.lines.pos += len(byteOrderMark)
	}
	head := p.lines.head()
	if len(head) == 0 {
		return nothing(name, nil, "the file is empty")
	}
	for _, m := range packetMagics {
		if bytes.HasPrefix(head, []byte(m.begins)) {
			return p.sniffPackets(m.shape)
		}
	}
	for _, m := range magics {
		if bytes.HasPrefix(head, []byte(m.begins)) {
			return nothing(name, nil, m.is)
		}
	}
	sample := sampleLines(head, p.lines.err == io.EOF)
	for i, line := range sample {
		sample[i] = line[:min(len(line), p.o.MaxLine)]
	}
	shape := p.o.Shape
	switch {
	case p.o.Template != nil:
		l := p.o.Template.layout(sample, p.o)
		if l.readable(sample, 1) == 0 {
			return nothing(name, p.firstBad(sample, &csvParser{layout: l, tally: new(tally)}), noText(head, "the line template reads none of the first lines"))
		}
		p.useLayout(Template, l)
		return nil
	case p.o.Columns != Columns{}:
		l, why, ok := mapped(sample, p.o)
		if !ok {
			return nothing(name, nil, noText(head, why))
		}
		p.useLayout(CSV, l)
		return nil
	case shape != CSV && textual(sample) || shape == TextLog:
		r.Shape, r.Layout = TextLog, p.o.unused(TextLog)
		p.text = &textParser{tally: &p.tally}
		p.parser = p.text
		return nil
	}
	l, hint, ok := detect(sample, p.o)
	if ok {
		p.useLayout(CSV, l)
		return nil
	}
	if database(head) {
		hint = "it is a signal database; bus.database takes one, and inspect --database"
	}
	if binary := noText(head, ""); binary != "" {
		return nothing(name, nil, binary)
	}
	return nothing(name, p.firstBad(sample, nil), hint)
}

// useLayout reads lines by a layout.
func (p *part) useLayout(shape Shape, l layout) {
	r := &p.tally.r
	r.Shape, r.Layout, p.skipped = shape, append(l.notes, p.o.unused(shape)...), l.skip
	p.parser = &csvParser{layout: l, tally: &p.tally}
}

// database reports whether a text begins like a signal database.
func database(head []byte) bool {
	for line := range bytes.Lines(head[:min(len(head), 8<<10)]) {
		for _, word := range []string{"VERSION \"", "NS_ :", "BO_ ", "BU_:", "BS_:"} {
			if bytes.HasPrefix(bytes.TrimLeft(line, " \t"), []byte(word)) {
				return true
			}
		}
	}
	return false
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

// firstBad says of the first lines why they are no frames, by the parser that was
// asked for or else by that of text logs.
func (p *part) firstBad(sample [][]byte, asked parser) []BadLine {
	text := textParser{tally: new(tally)}
	var bad []BadLine
	for i, line := range sample {
		if len(line) == 0 || comment(line) || len(bad) == 3 {
			continue
		}
		if asked != nil {
			bad = append(bad, badLine(int64(i+1), line, asked.parse(line, new(entry))))
			continue
		}
		reason := text.parse(line, new(entry))
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
