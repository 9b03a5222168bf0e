package capture

import (
	"bytes"
	"errors"
	"io"
)

// lines cuts a stream into lines inside one buffer.
type lines struct {
	from    io.Reader
	buf     []byte
	pos     int // start of the next line in buf
	end     int // end of the valid bytes in buf
	limit   int
	err     error // from the reader; io.EOF at the end
	number  int64 // of the line last returned, from 1
	padding int64 // NUL and Ctrl-Z bytes skipped
}

// bufferSize is read at once, and is what the shape of a file is told from.
const bufferSize = 256 << 10

func newLines(r io.Reader, limit int) *lines {
	l := &lines{from: r, buf: make([]byte, max(bufferSize, 2*limit)), limit: limit}
	l.fill()
	return l
}

// head returns the bytes in the buffer: the beginning of the file while no line
// has been taken.
func (l *lines) head() []byte { return l.buf[l.pos:l.end] }

// fill moves the rest to the front and reads until the buffer is full.
func (l *lines) fill() {
	copy(l.buf, l.buf[l.pos:l.end])
	l.end -= l.pos
	l.pos = 0
	for idle := 0; l.err == nil && l.end < len(l.buf); {
		n, err := l.from.Read(l.buf[l.end:])
		if n < 0 || n > len(l.buf)-l.end {
			err, n = errors.New("reader returned an impossible count"), 0
		}
		l.end += n
		l.err = err
		if n > 0 {
			idle = 0
		} else if idle++; err == nil && idle == 100 {
			l.err = io.ErrNoProgress
		}
	}
}

// next returns the next line without its end and without blanks around it. The
// line is valid until the next call. Ok is false at the end; long is true for a
// line over the limit, of which the beginning is returned.
func (l *lines) next() (line []byte, long, ok bool) {
	rest := l.buf[l.pos:l.end]
	n := bytes.IndexByte(rest, '\n')
	if n < 0 || n > l.limit || (n > 0 && rest[0] == 0) {
		return l.slow()
	}
	l.pos += n + 1
	l.number++
	return trim(rest[:n]), false, true
}

// peek returns the next line if it has n bytes as far as its first n bytes hold
// no line end, which the caller has to make sure of; else nil.
func (l *lines) peek(n int) []byte {
	if rest := l.buf[l.pos:l.end]; n < len(rest) && n <= l.limit && rest[n] == '\n' {
		return rest[:n]
	}
	return nil
}

// pass takes the line that peek returned.
func (l *lines) pass(line []byte) {
	l.pos += len(line) + 1
	l.number++
}

// slow is next where the line does not lie whole in the buffer, is too long or
// begins with NUL bytes, as after a logger lost its power.
func (l *lines) slow() (line []byte, long, ok bool) {
	for {
		for l.pos < l.end && (l.buf[l.pos] == 0 || l.buf[l.pos] == 0x1a) {
			l.pos++
			l.padding++
		}
		if n := bytes.IndexByte(l.buf[l.pos:l.end], '\n'); n >= 0 && n <= l.limit {
			line = l.buf[l.pos : l.pos+n]
			l.pos += n + 1
			break
		} else if n > l.limit || l.end-l.pos > l.limit {
			return l.skip(), true, true
		}
		if l.err != nil {
			line = l.buf[l.pos:l.end]
			l.pos = l.end
			if len(line) == 0 || l.err == errTruncated { // of a line cut in two nothing can be believed
				return nil, false, false
			}
			for len(line) > 0 && (line[len(line)-1] == 0 || line[len(line)-1] == 0x1a) {
				line = line[:len(line)-1]
				l.padding++
			}
			break
		}
		l.fill()
	}
	l.number++
	return trim(line), false, true
}

// skip passes a line over the limit and returns its beginning.
func (l *lines) skip() []byte {
	l.number++
	beginning := append([]byte(nil), l.buf[l.pos:min(l.pos+shownBytes+1, l.end)]...)
	for {
		if n := bytes.IndexByte(l.buf[l.pos:l.end], '\n'); n >= 0 {
			l.pos += n + 1
			return beginning
		}
		l.pos = l.end
		if l.err != nil {
			return beginning
		}
		l.fill()
	}
}

// trim cuts blanks at both ends. A tab stays: it separates columns.
func trim(b []byte) []byte {
	for len(b) > 0 && (b[len(b)-1] == '\r' || b[len(b)-1] == ' ') {
		b = b[:len(b)-1]
	}
	for len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	return b
}
