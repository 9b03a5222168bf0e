package radio

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// The columns of a trace file.
const (
	columnTime     = "t_s"
	columnReceived = "received"
)

// mostTraceErrors bounds how many mistakes of one file are told.
const mostTraceErrors = 20

// longestTraceLine bounds a line, in bytes.
const longestTraceLine = 4096

// ReadTrace reads a trace: comma-separated lines, the first one naming the
// columns t_s (seconds, growing) and received (1 or 0), or received alone; then
// period says the time from one broadcast to the next. A file with times must
// come without a period, one without times is refused without it. Empty lines
// are passed over.
//
// The error names the place of every mistake, up to 20, as name:line:column.
func ReadTrace(name string, r io.Reader, period time.Duration) (*Trace, error) {
	f := &traceFile{name: name, period: period}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, longestTraceLine), longestTraceLine)
	for lines.Scan() && len(f.errs) < mostTraceErrors {
		f.line++
		text := strings.TrimSuffix(lines.Text(), "\r")
		if f.line == 1 {
			text = strings.TrimPrefix(text, "\ufeff")
		}
		if strings.TrimSpace(text) == "" {
			continue
		}
		if !f.header {
			if f.readHeader(text); len(f.errs) > 0 {
				break
			}
			continue
		}
		f.readSample(text)
		if len(f.samples) > traceSamples {
			f.add(1, "more samples", fmt.Sprintf("at most %d", traceSamples))
			break
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		f.line++
		f.add(1, "a longer line", fmt.Sprintf("at most %d bytes", longestTraceLine))
	case err != nil:
		f.errs = append(f.errs, fmt.Errorf("%s: %w", name, err))
	case !f.header && len(f.errs) == 0:
		f.line = max(1, f.line)
		f.add(1, "no header", "t_s,received or received")
	}
	return f.trace()
}

// traceFile is a trace on the way in.
type traceFile struct {
	name    string
	period  time.Duration
	line    int
	header  bool
	timed   bool
	samples []Sample
	errs    []error
}

// add notes a mistake in the present line.
func (f *traceFile) add(column int, found, want string) {
	f.errs = append(f.errs, fmt.Errorf("%s:%d:%d: found %s, expected %s", f.name, f.line, column, found, want))
}

// readHeader reads the names of the columns.
func (f *traceFile) readHeader(text string) {
	f.header = true
	switch strings.ReplaceAll(text, " ", "") {
	case columnTime + "," + columnReceived:
		f.timed = true
		if f.period != 0 {
			f.add(1, "the column t_s and a send period", "only one of them")
		}
	case columnReceived:
		if f.period <= 0 || f.period > longestBurst {
			f.add(1, fmt.Sprintf("no column t_s, and a period of %v", f.period), fmt.Sprintf("a column t_s, or the period from one broadcast to the next, from 1ns to %v", longestBurst))
		}
	default:
		f.add(1, fmt.Sprintf("header %q", text), "t_s,received or received")
	}
}

// readSample reads one line behind the header.
func (f *traceFile) readSample(text string) {
	fields, want := strings.Split(text, ","), 1
	if f.timed {
		want = 2
	}
	if len(fields) != want {
		f.add(1, fmt.Sprintf("%d fields", len(fields)), strconv.Itoa(want))
		return
	}
	s := Sample{At: time.Duration(len(f.samples)) * f.period}
	column := 1
	if f.timed {
		seconds, err := strconv.ParseFloat(strings.TrimSpace(fields[0]), 64)
		if s.At = time.Duration(math.Round(seconds * 1e9)); err != nil || !(seconds >= 0 && seconds <= longestBurst.Seconds()) {
			f.add(1, fmt.Sprintf("time %q", fields[0]), fmt.Sprintf("seconds from 0 to %.0f", longestBurst.Seconds()))
			return
		}
		if n := len(f.samples); n > 0 && s.At <= f.samples[n-1].At {
			f.add(1, "time "+strings.TrimSpace(fields[0]), fmt.Sprintf("more than the %v before it", f.samples[n-1].At))
			return
		}
		column = len(fields[0]) + 2
	} else if s.At > longestBurst {
		f.add(1, "a sample at "+s.At.String(), fmt.Sprintf("at most %v", longestBurst))
		return
	}
	switch strings.TrimSpace(fields[want-1]) {
	case "1":
		s.Received = true
	case "0":
	default:
		f.add(column, fmt.Sprintf("received %q", fields[want-1]), "1 or 0")
		return
	}
	f.samples = append(f.samples, s)
}

// trace returns the trace or all mistakes.
func (f *traceFile) trace() (*Trace, error) {
	if len(f.errs) > 0 {
		return nil, errors.Join(f.errs...)
	}
	t, err := NewTrace(f.samples)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.name, err)
	}
	return t, nil
}
