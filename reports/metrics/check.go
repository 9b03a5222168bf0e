package metrics

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Contents is what a history file holds.
type Contents struct {
	Samples, Series int
	From, To        time.Time
	Designs         []string // in the order of their first sample
}

// longestLine bounds a line of a history.
const longestLine = 64 << 10

// mostMistakes is how many mistakes of a file are told one by one.
const mostMistakes = 20

// Check reads a history and says what it holds, or all that is wrong with it: what
// an import would refuse, and what it would take and lose in silence. name is
// what the mistakes call the file. Memory grows with the series of one family.
func Check(r io.Reader, name string) (Contents, error) {
	c := checker{name: name, in: bufio.NewReaderSize(r, longestLine), latest: map[string]int64{}, designs: map[string]bool{}}
	if err := c.run(); err != nil {
		return Contents{}, fmt.Errorf("%s: %w", name, err)
	}
	if c.wrong > len(c.mistakes) {
		c.mistakes = append(c.mistakes, fmt.Errorf("%s: %d more mistakes", name, c.wrong-len(c.mistakes)))
	}
	return c.found, errors.Join(c.mistakes...)
}

type checker struct {
	name     string
	in       *bufio.Reader
	line     int
	ended    bool
	found    Contents
	latest   map[string]int64 // by series of the present family: ms of its last sample
	designs  map[string]bool
	mistakes []error
	wrong    int
}

func (c *checker) mistake(column int, found, expected string) {
	if c.wrong++; c.wrong <= mostMistakes {
		c.mistakes = append(c.mistakes, fmt.Errorf("%s:%d:%d: found %s, expected %s", c.name, c.line, column, found, expected))
	}
}

// run reads line by line.
func (c *checker) run() error {
	for {
		line, err := c.in.ReadSlice('\n')
		if len(line) > 0 {
			c.line++
			c.take(bytes.TrimSuffix(line, []byte("\n")))
		}
		switch {
		case err == nil:
		case errors.Is(err, bufio.ErrBufferFull):
			c.mistake(1, fmt.Sprintf("a line of more than %d bytes", longestLine), "a sample a line")
			if err := c.skip(); err != nil {
				return err
			}
		case errors.Is(err, io.EOF):
			if !c.ended {
				c.mistake(1, "the end of the file", `a last line "# EOF"`)
			}
			if c.found.Samples == 0 && c.wrong == 0 {
				c.mistake(1, "no sample", "a history")
			}
			return nil
		default:
			return err
		}
	}
}

// skip leaves out the rest of a line that is too long.
func (c *checker) skip() error {
	for {
		_, err := c.in.ReadSlice('\n')
		if !errors.Is(err, bufio.ErrBufferFull) {
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return err
		}
	}
}

func (c *checker) take(line []byte) {
	switch {
	case c.ended:
		c.mistake(1, quote(line), `nothing after "# EOF"`)
		c.ended = false // one mistake is enough for what follows
	case len(line) == 0:
		c.mistake(1, "an empty line", "a sample or a comment")
	case string(line) == "# EOF":
		c.ended = true
	case line[0] != '#':
		c.sample(line)
	case bytes.HasPrefix(line, []byte("# TYPE ")):
		clear(c.latest)
	case !bytes.HasPrefix(line, []byte("# HELP ")) && !bytes.HasPrefix(line, []byte("# UNIT ")):
		c.mistake(1, quote(line), "# HELP, # TYPE, # UNIT or # EOF")
	}
}

// sample checks one sample: name{labels} value seconds.
func (c *checker) sample(line []byte) {
	end := bytes.LastIndexByte(line, '}') + 1
	if end == 0 {
		end = max(bytes.IndexByte(line, ' '), 0)
	}
	series, rest := line[:end], line[end:]
	fields := strings.Split(string(rest), " ")
	if len(series) == 0 || len(fields) != 3 || fields[0] != "" {
		c.mistake(end+1, quote(line), "a sample such as name{label=\"value\"} 1 1735689600.000")
		return
	}
	if _, err := strconv.ParseFloat(fields[1], 64); err != nil {
		c.mistake(end+2, strconv.Quote(fields[1]), "a number")
		return
	}
	column := end + 3 + len(fields[1])
	at, err := strconv.ParseFloat(fields[2], 64)
	ms := math.Round(at * 1000)
	switch {
	case err != nil || math.IsNaN(at) || math.IsInf(at, 0):
		c.mistake(column, strconv.Quote(fields[2]), "an instant in seconds since 1970")
		return
	case at < 0:
		c.mistake(column, fields[2], "an instant after 1970: one before is lost in silence")
		return
	case at > 4102444800: // 2100
		c.mistake(column, fields[2], "an instant before 2100 in seconds: are these milliseconds?")
		return
	}
	c.count(series, int64(ms), column, fields[2])
}

// count enters a sample of a series.
func (c *checker) count(series []byte, ms int64, column int, text string) {
	last, known := c.latest[string(series)]
	if known && ms <= last {
		c.mistake(column, text, fmt.Sprintf("at least a millisecond after the series' sample before, at %d.%03d: this one is lost in silence", last/1000, last%1000))
		return
	}
	if !known {
		c.found.Series++
		if design := label(series, "design"); !c.designs[design] {
			c.designs[design] = true
			c.found.Designs = append(c.found.Designs, design)
		}
	}
	c.latest[string(series)] = ms
	at := time.UnixMilli(ms).UTC()
	if c.found.Samples == 0 || at.Before(c.found.From) {
		c.found.From = at
	}
	if c.found.Samples == 0 || at.After(c.found.To) {
		c.found.To = at
	}
	c.found.Samples++
}

// label returns the value of a label as it is written, "" without it.
func label(series []byte, name string) string {
	_, rest, found := bytes.Cut(series, []byte(name+`="`))
	if !found {
		return ""
	}
	for i := 0; i < len(rest); i++ {
		switch rest[i] {
		case '\\':
			i++
		case '"':
			return string(rest[:i])
		}
	}
	return ""
}

// quote writes the beginning of a line as it was found.
func quote(line []byte) string {
	const most = 60
	if len(line) > most {
		return strconv.Quote(string(line[:most])) + "..."
	}
	return strconv.Quote(string(line))
}
