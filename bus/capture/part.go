package capture

import (
	"fmt"
	"io"
	"os"
)

// parser turns a line into an entry. The reason is "" when it was understood.
type parser interface {
	parse(line []byte, e *entry) (reason string)
}

// part reads one file into entries in order of time.
type part struct {
	tally   tally
	lines   *lines
	parser  parser
	text    *textParser // parser, when it is one
	packets *packets    // instead of a parser: the file holds packets
	order   *order
	o       Options
	only    int // index of the channel asked for, -1 = all
	ended   bool
	err     error
	skipped int64 // lines of a CSV header still to be passed
	close   func() error
}

// newPart begins to read a capture; its beginning is read at once.
func newPart(name string, from io.Reader, o Options) (*part, error) {
	p := &part{o: o, only: -1, close: func() error { return nil }}
	p.tally.r.Name = name
	p.lines = newLines(from, o.MaxLine)
	if err := p.unpack(); err != nil {
		return nil, err
	}
	switch err := p.lines.err; {
	case err == nil || err == io.EOF || err == errTruncated:
	case p.tally.r.Compressed > 0:
		return nil, nothing(name, nil, "it is compressed (gzip), but damaged: "+err.Error())
	default:
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := p.sniff(); err != nil {
		return nil, err
	}
	if o.Channel != "" {
		p.only = int(p.tally.channel([]byte(o.Channel)))
	}
	p.order = newOrder(&p.tally)
	return p, nil
}

// openPart begins to read the capture in a file; the part closes it. Name is what
// messages call it.
func openPart(name, path string, o Options) (*part, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		f.Close()
		return nil, fmt.Errorf("%s is a directory; a capture is a file", name)
	}
	p, err := newPart(name, f, o)
	if err != nil {
		f.Close()
		return nil, err
	}
	p.close = f.Close
	return p, nil
}

// report returns what was met so far in this file.
func (p *part) report() Report {
	c := p.tally.r
	if p.packets == nil {
		c.Lines, c.Padding = p.lines.number, p.lines.padding
	} else {
		c.Lines = p.packets.number
	}
	return c
}

// stride is how many lines are read at once. One line may set free no frame or
// several; by strides the processor foresees what comes next.
const stride = 64

// next returns the next entry in order of time, nil at the end. It is valid until
// the next call.
func (p *part) next() *entry {
	for {
		for !p.order.ready(p.ended) {
			if p.ended {
				return nil
			}
			for n := 0; n < stride && !p.ended && !p.order.crowded(); n++ {
				if p.text != nil && p.takePlain() {
					continue
				}
				p.take()
			}
		}
		if e := p.order.pop(p.ended); e != nil {
			return e
		}
	}
}

// take reads one line or packet.
func (p *part) take() {
	if p.packets != nil {
		p.takePacket()
		return
	}
	line, long, ok := p.lines.next()
	t := &p.tally
	switch {
	case !ok:
		p.end(p.lines.err, "line", p.lines.number)
	case p.skipped > 0:
		p.skipped--
		t.r.Header++
	case long:
		t.r.TooLong++
		t.bad(p.lines.number, line, reasonTooLong)
	case len(line) == 0:
		t.r.Blank++
	default:
		s, e := p.order.slot()
		if reason := p.parser.parse(line, e); reason != "" {
			p.order.back(s)
			p.refuse(line, reason)
			return
		}
		p.accept(s, e, p.lines.number)
	}
}

// takePlain reads one line if it has the plain shape of a text log. Its length
// is known, so its end need not be searched.
func (p *part) takePlain() bool {
	last := p.tally.lastChannel()
	line := p.lines.peek(plainLength + len(last))
	if line == nil {
		return false
	}
	s, e := p.order.slot()
	if !p.text.plain(line, last, e) {
		p.order.back(s)
		return false
	}
	p.lines.pass(line)
	p.accept(s, e, p.lines.number)
	return true
}

// accept takes in the frame of a line or packet.
func (p *part) accept(s uint16, e *entry, number int64) {
	t := &p.tally.r
	t.Read++
	e.line = number
	t.Channels[e.channel].Frames++
	if p.only >= 0 && int(e.channel) != p.only {
		t.OtherChannel++
		p.order.back(s)
		return
	}
	p.order.push(s)
}

// refuse counts a line that is no frame.
func (p *part) refuse(line []byte, reason string) {
	if comment(line) {
		p.tally.r.Comments++
		return
	}
	p.tally.r.Unreadable++
	p.tally.bad(p.lines.number, line, reason)
}

// comment reports whether a line is a remark.
func comment(line []byte) bool {
	return line[0] == '#' || (len(line) > 1 && line[0] == '/' && line[1] == '/')
}

// end notes the end of the file and what brought it about; io.EOF is the plain
// end.
func (p *part) end(err error, unit string, number int64) {
	p.ended = true
	p.order.finish()
	if err == errTruncated {
		p.tally.r.Truncated++
		err = io.EOF
	}
	switch {
	case err != nil && err != io.EOF:
		p.err = fmt.Errorf("%s: after %s %d: %w", p.tally.r.Name, unit, number, err)
	case p.tally.r.Read == 0:
		p.err = nothing(p.tally.r.Name, p.tally.r.Bad, p.tally.r.nothingHint())
	}
}
