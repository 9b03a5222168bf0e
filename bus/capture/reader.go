package capture

import (
	"fmt"
	"io"
	"os"
	"time"

	"stalegauge/bus"
)

// parser turns a line into an entry. The reason is "" when it was understood.
type parser interface {
	parse(line []byte, e *entry) (reason string)
}

// Reader hands out the frames of a capture in order of time, as offsets from
// the first one. It is a [bus.Source].
type Reader struct {
	tally  tally
	lines  *lines
	parser parser
	text   *textParser // parser, when it is one
	order  *order
	o      Options
	only   int // index of the channel asked for, -1 = all
	ended  bool
	err    error
	close  []func() error

	first   bool  // no frame handed out yet
	last    int64 // stamp of the frame last handed out
	shift   int64 // stamp of offset 0: the first stamp, plus what was cut out since
	skipped int64 // lines of a CSV header still to be passed
}

// NewReader reads a capture from r, of which name is the name for messages. The
// beginning is read at once; what is no capture is a [*FormatError].
func NewReader(name string, r io.Reader, o Options) (*Reader, error) {
	c := &Reader{o: o.withDefaults(), first: true, only: -1}
	c.tally.r.Name = name
	c.lines = newLines(r, c.o.MaxLine)
	if err := c.lines.err; err != nil && err != io.EOF {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := c.sniff(); err != nil {
		return nil, err
	}
	if c.o.Channel != "" {
		c.only = int(c.tally.channel([]byte(c.o.Channel)))
	}
	c.order = newOrder(&c.tally)
	return c, nil
}

// Open reads the capture in a file. [Reader.Close] closes it. The name "-" is
// standard input, which can be read once; see [NewFile] for more than once.
func Open(path string, o Options) (*Reader, error) {
	if path == "-" {
		return NewReader("standard input", os.Stdin, o)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		f.Close()
		return nil, fmt.Errorf("%s is a directory; a capture is a file", path)
	}
	r, err := NewReader(path, f, o)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.close = append(r.close, f.Close)
	return r, nil
}

// Close closes the file under a reader that [Open] made.
func (r *Reader) Close() error {
	var first error
	for _, c := range r.close {
		if err := c(); err != nil && first == nil {
			first = err
		}
	}
	r.close = nil
	return first
}

// Err returns the error that ended the capture early, nil at its end.
func (r *Reader) Err() error { return r.err }

// Report returns what was met so far. The slices are the caller's.
func (r *Reader) Report() Report {
	c := r.tally.r
	c.Lines, c.Padding = r.lines.number, r.lines.padding
	c.Epoch = c.FirstStamp >= epochFrom
	c.Layout = append([]string(nil), c.Layout...)
	c.Channels = append([]Channel(nil), c.Channels...)
	c.Bad = append([]BadLine(nil), c.Bad...)
	c.Dropped = append([]BadLine(nil), c.Dropped...)
	return c
}

// stride is how many lines are read at once. One line may set free no frame or
// several; by strides the processor foresees what comes next.
const stride = 64

// Next writes the next frame into f. At is the offset from the first frame and
// Released the same: a capture knows no earlier instant of a value. Message is
// -1. The ID of an error frame is its class.
func (r *Reader) Next(f *bus.Frame) bool {
	for {
		for !r.order.ready(r.ended) {
			if r.ended {
				return false
			}
			for n := 0; n < stride && !r.ended && !r.order.crowded(); n++ {
				r.take()
			}
		}
		if e := r.order.pop(r.ended); e != nil {
			r.hand(e, f)
			return true
		}
	}
}

// take reads one line.
func (r *Reader) take() {
	if r.text != nil && r.takePlain() {
		return
	}
	line, long, ok := r.lines.next()
	t := &r.tally
	switch {
	case !ok:
		r.end()
	case r.skipped > 0:
		r.skipped--
		t.r.Header++
	case long:
		t.r.TooLong++
		t.bad(r.lines.number, line, reasonTooLong)
	case len(line) == 0:
		t.r.Blank++
	default:
		s, e := r.order.slot()
		if reason := r.parser.parse(line, e); reason != "" {
			r.order.back(s)
			r.refuse(line, reason)
			return
		}
		r.accept(s, e)
	}
}

// takePlain reads one line if it has the plain shape of a text log. Its length
// is known, so its end need not be searched.
func (r *Reader) takePlain() bool {
	line := r.lines.peek(r.text.plainLength())
	if line == nil {
		return false
	}
	s, e := r.order.slot()
	if !r.text.plain(line, e) {
		r.order.back(s)
		return false
	}
	r.lines.pass(line)
	r.accept(s, e)
	return true
}

// accept takes in the frame of a line.
func (r *Reader) accept(s uint16, e *entry) {
	t := &r.tally.r
	t.Read++
	e.line = r.lines.number
	t.Channels[e.channel].Frames++
	if r.only >= 0 && int(e.channel) != r.only {
		t.OtherChannel++
		r.order.back(s)
		return
	}
	r.order.push(s)
}

// refuse counts a line that is no frame.
func (r *Reader) refuse(line []byte, reason string) {
	if comment(line) {
		r.tally.r.Comments++
		return
	}
	r.tally.r.Unreadable++
	r.tally.bad(r.lines.number, line, reason)
}

// comment reports whether a line is a remark.
func comment(line []byte) bool {
	return line[0] == '#' || (len(line) > 1 && line[0] == '/' && line[1] == '/')
}

// end notes the end of the file.
func (r *Reader) end() {
	r.ended = true
	r.order.finish()
	switch err := r.lines.err; {
	case err != nil && err != io.EOF:
		r.err = fmt.Errorf("%s: after line %d: %w", r.tally.r.Name, r.lines.number, err)
	case r.tally.r.Read == 0:
		r.err = nothing(r.tally.r.Name, r.tally.r.Bad, "")
	case r.only >= 0 && r.tally.r.Channels[r.only].Frames == 0:
		r.err = fmt.Errorf("%s: no frame of channel %q; the file has %s",
			r.tally.r.Name, r.o.Channel, r.tally.names())
	}
}

// hand gives an entry its place on the time line and copies it out.
func (r *Reader) hand(e *entry, f *bus.Frame) {
	t := &r.tally.r
	gap := false
	if r.first {
		r.first = false
		r.shift = e.stamp
		t.FirstStamp = e.stamp
	} else if silence := e.stamp - r.last; silence > int64(r.o.Gap) {
		t.Gaps++
		t.LongestGap = max(t.LongestGap, time.Duration(silence))
		if r.o.GapRule == Cut {
			gap = true
			cut := silence - int64(r.o.Keep)
			r.shift += cut
			t.CutOut += time.Duration(cut)
		}
	}
	r.last = e.stamp
	r.tally.kinds(e)
	at := time.Duration(e.stamp - r.shift)
	t.Span, t.LastStamp = at, e.stamp
	*f = e.frame
	f.At, f.Released, f.AfterGap, f.Message = at, at, gap, -1
}
