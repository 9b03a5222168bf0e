package capture

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"stalegauge/bus"
)

// Reader hands out the frames of a capture in order of time, as offsets from
// the first one. It is a [bus.Source].
type Reader struct {
	o     Options
	now   *part   // the file that the frame last handed out is of
	later []later // in a row: files still to be opened
	side  []*part // side by side: all files; nil = one after the other
	heads []*entry
	past  []Report // of the files read to their end
	time  Report   // what is known of the time line; the rest is zero
	err   error

	first    bool  // no frame handed out yet
	joining  bool  // the next frame is the first of a further file
	last     int64 // stamp of the frame last handed out
	base     int64 // added to the stamps of the file
	shift    int64 // stamp of offset 0: the first stamp, plus what was cut out since
	finished bool
}

// later is a file still to be opened.
type later struct{ name, path string }

// NewReader reads a capture from r, of which name is the name for messages. The
// beginning is read at once; what is no capture is a [*FormatError].
func NewReader(name string, r io.Reader, o Options) (*Reader, error) {
	o = o.withDefaults()
	p, err := newPart(name, r, o)
	if err != nil {
		return nil, err
	}
	return &Reader{o: o, now: p, first: true}, nil
}

// Open reads the capture in a file. [Reader.Close] closes it. The name "-" is
// standard input, which can be read once; see [NewFile] for more than once.
func Open(path string, o Options) (*Reader, error) {
	if path == "-" {
		return NewReader("standard input", os.Stdin, o)
	}
	return openAll([]later{{path, path}}, o.withDefaults())
}

// openAll opens files as Options.Arrangement says.
func openAll(files []later, o Options) (*Reader, error) {
	r := &Reader{o: o, first: true}
	if o.Arrangement == SideBySide && len(files) > 1 {
		for _, f := range files {
			p, err := openPart(f.name, f.path, o.inFile(f.name))
			if err != nil {
				_ = r.Close()
				return nil, err
			}
			r.side, r.heads = append(r.side, p), append(r.heads, nil)
		}
		r.now = r.side[0]
		return r, r.fillHeads()
	}
	p, err := openPart(files[0].name, files[0].path, o)
	if err != nil {
		return nil, err
	}
	r.now, r.later = p, files[1:]
	return r, nil
}

// inFile returns the options for one of several files side by side, whose channels
// go by the name of the file and their own.
func (o Options) inFile(name string) Options {
	if rest, ok := strings.CutPrefix(o.Channel, filepath.Base(name)); ok && (rest == "" || rest[0] == ' ') {
		o.Channel = strings.TrimPrefix(rest, " ")
	}
	return o
}

// Close closes the files under a reader that [Open] or [File.Open] made.
func (r *Reader) Close() error {
	var first error
	for _, p := range append(r.side, r.now) {
		if p == nil {
			continue
		}
		if err := p.close(); err != nil && first == nil {
			first = err
		}
		p.close = func() error { return nil }
	}
	return first
}

// Err returns the error that ended the capture early, nil at its end.
func (r *Reader) Err() error { return r.err }

// Next writes the next frame into f. At is the offset from the first frame and
// Released the same: a capture knows no earlier instant of a value. Message is
// -1. The ID of an error frame is its class.
func (r *Reader) Next(f *bus.Frame) bool {
	for {
		if e := r.pick(); e != nil {
			if !r.hand(e, f) {
				r.finished = true
				return false
			}
			return true
		}
		if r.finished || !r.nextFile() {
			r.finish()
			return false
		}
	}
}

// pick takes the next entry.
func (r *Reader) pick() *entry {
	if r.finished {
		return nil
	}
	if r.side == nil {
		return r.now.next()
	}
	return r.pickSide()
}

// fillHeads reads the first frame of files that lie side by side.
func (r *Reader) fillHeads() error {
	dated, undated := false, false
	for i, p := range r.side {
		r.heads[i] = p.next()
		if e := r.heads[i]; e != nil {
			dated, undated = dated || e.stamp >= epochFrom, undated || e.stamp < epochFrom
		}
	}
	if dated && undated {
		err := fmt.Errorf("%s: some files have the time of day and date, others the time since some start: they cannot lie side by side", r.name())
		_ = r.Close()
		return err
	}
	return nil
}

// pickSide takes the earliest of the next entries of all files; of equal ones
// that of the file named first.
func (r *Reader) pickSide() *entry {
	best := -1
	for i, e := range r.heads {
		if e == nil {
			e = r.side[i].next()
			r.heads[i] = e
		}
		if e != nil && (best < 0 || e.stamp < r.heads[best].stamp) {
			best = i
		}
	}
	if best < 0 {
		return nil
	}
	e := r.heads[best]
	r.heads[best] = nil
	r.now = r.side[best]
	return e
}

// nextFile goes on to the next file in a row.
func (r *Reader) nextFile() bool {
	if r.now.err != nil || len(r.later) == 0 || r.side != nil {
		return false
	}
	f := r.later[0]
	p, err := openPart(f.name, f.path, r.o)
	if err == nil {
		err = r.now.close()
	}
	if err != nil {
		r.err = err
		return false
	}
	r.past = append(r.past, r.now.report())
	r.now, r.later = p, r.later[1:]
	r.joining, r.base = !r.first, 0
	return true
}

// finish notes the end and what is wrong with the whole.
func (r *Reader) finish() {
	if r.finished {
		return
	}
	r.finished = true
	for _, p := range append(r.side, r.now) {
		if p.err != nil && r.err == nil {
			r.err = p.err
		}
	}
	if r.err != nil || r.o.Channel == "" {
		return
	}
	report := r.Report()
	if report.Read == report.OtherChannel {
		r.err = fmt.Errorf("%s: no frame of channel %q; the file has %s", report.Name, r.o.Channel, report.names())
	}
}

// join gives the first frame of a further file its place behind the one before.
func (r *Reader) join(stamp int64) (gap bool, err error) {
	r.joining = false
	step := stamp - r.last
	switch {
	case step >= 0:
		return false, nil
	case stamp < epochFrom || r.last < epochFrom:
		r.time.Joins++
		r.base = r.last + int64(r.o.Keep) - stamp
		return true, nil
	case step < -int64(Window):
		return false, fmt.Errorf("%s begins %v before the file named ahead of it ends: name the files in order of time, or lay them side by side",
			r.now.tally.r.Name, time.Duration(-step))
	}
	return false, nil
}

// hand gives an entry its place on the time line and copies it out.
func (r *Reader) hand(e *entry, f *bus.Frame) bool {
	t := &r.time
	gap := false
	if r.joining {
		var err error
		if gap, err = r.join(e.stamp); err != nil {
			r.err = err
			return false
		}
	}
	if r.base > 0 && e.stamp > maxStamp-r.base {
		r.err = fmt.Errorf("%s: %s", r.now.tally.r.Name, reasonRange)
		return false
	}
	stamp := e.stamp + r.base
	if r.first {
		r.first = false
		r.shift = stamp
		t.FirstStamp = stamp
	} else if silence := stamp - r.last; silence > int64(r.o.Gap) {
		t.Gaps++
		t.LongestGap = max(t.LongestGap, time.Duration(silence))
		if r.o.GapRule == Cut {
			gap = true
			cut := silence - int64(r.o.Keep)
			r.shift += cut
			t.CutOut += time.Duration(cut)
		}
	} else if silence < 0 { // only where two files overlap by a little
		r.now.tally.r.Sorted++
		stamp = r.last
	}
	r.last = stamp
	r.now.tally.kinds(e)
	at := time.Duration(stamp - r.shift)
	t.Span, t.LastStamp = at, stamp
	*f = e.frame
	f.At, f.Released, f.AfterGap, f.Message = at, at, gap, -1
	return true
}

// Report returns what was met so far. The slices are the caller's.
func (r *Reader) Report() Report {
	reports := append([]Report(nil), r.past...)
	if r.side == nil {
		reports = append(reports, r.now.report())
	}
	for _, p := range r.side {
		c := p.report()
		c.qualify(filepath.Base(c.Name))
		reports = append(reports, c)
	}
	c := reports[0].clone()
	if len(reports)+len(r.later) > 1 {
		for i := range c.Bad {
			c.Bad[i].File = c.Name
		}
		for i := range c.Dropped {
			c.Dropped[i].File = c.Name
		}
	}
	for _, other := range reports[1:] {
		c.add(other)
	}
	c.Gaps, c.LongestGap, c.CutOut, c.Span, c.Joins = r.time.Gaps, r.time.LongestGap, r.time.CutOut, r.time.Span, r.time.Joins
	c.FirstStamp, c.LastStamp = r.time.FirstStamp, r.time.LastStamp
	c.Epoch = c.FirstStamp >= epochFrom
	return c
}

// name names all files.
func (r *Reader) name() string { return r.Report().Name }
