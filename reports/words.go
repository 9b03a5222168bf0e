package reports

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"github.com/jedib0t/go-pretty/v6/text"

	"stalegauge/sim/study"
)

// dash stands for a figure that is not defined.
const dash = "-"

// significant writes v with three significant digits at most two of them behind
// the point, and without trailing noise: 0.04, 1.25, 12.5, 125.
func significant(v float64) string {
	switch a := math.Abs(v); {
	case a < 9.995:
		return strconv.FormatFloat(v+0, 'f', 2, 64)
	case a < 99.95:
		return strconv.FormatFloat(v, 'f', 1, 64)
	default:
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
}

// millis writes a time given in seconds as bare milliseconds, for a column
// whose head names the unit. What does not fit there carries its own unit.
func millis(seconds float64, defined bool) string {
	v, ok := finite(seconds, defined)
	switch {
	case !ok:
		return dash
	case math.Abs(v) < 99.9995:
		return significant(v * 1000)
	case math.Abs(v) < 9999.5:
		return significant(v) + " s"
	case math.Abs(v) < 3600*9999.5:
		return significant(v/3600) + " h"
	default:
		return strconv.FormatFloat(v/3600, 'e', 0, 64) + " h"
	}
}

// span writes a time given in seconds with its unit.
func span(seconds float64, defined bool) string {
	s := millis(seconds, defined)
	if s == dash || strings.HasSuffix(s, " s") || strings.HasSuffix(s, " h") {
		return s
	}
	return s + " ms"
}

// long writes a longer time given in seconds, such as the length of a run.
func long(seconds float64) string {
	v, ok := finite(seconds, true)
	switch {
	case !ok:
		return dash
	case math.Abs(v) < 1:
		return span(v, true)
	case math.Abs(v) < 9999.5:
		return significant(v) + " s"
	default:
		return span(v, true)
	}
}

// percent writes a share 0..1.
func percent(share float64, defined bool) string {
	return number(share*100, defined, " %")
}

// roughly writes a share 0..1 in two significant digits, for a line with little
// room.
func roughly(share float64) string {
	switch v := share * 100; {
	case v < 0.1:
		return "<0.1 %"
	case v < 9.95:
		return strconv.FormatFloat(v, 'f', 1, 64) + " %"
	default:
		return strconv.FormatFloat(v, 'f', 0, 64) + " %"
	}
}

// bounded writes a number in at most eight places.
func bounded(v float64) string {
	switch a := math.Abs(v); {
	case a != 0 && a < 0.005:
		return strconv.FormatFloat(v, 'g', 1, 64)
	case a < 99999.5:
		return significant(v)
	default:
		return strconv.FormatFloat(v, 'e', 1, 64)
	}
}

// number writes a plain figure with an optional unit behind it.
func number(v float64, defined bool, unit string) string {
	v, ok := finite(v, defined)
	if !ok {
		return dash
	}
	return bounded(v) + unit
}

// between writes the interval of a figure as low..high by means of one of the
// writers above, and nothing where there is none.
func between(v study.Value, write func(float64, bool) string) string {
	low, high := write(v.Low, v.Defined), write(v.High, v.Defined)
	if _, ok := finite(v.Value, v.Defined); !ok || low == dash || high == dash {
		return dash
	}
	unit := ""
	if i := strings.LastIndexByte(high, ' '); i > 0 && strings.HasSuffix(low, high[i:]) {
		low, unit = strings.TrimSuffix(low, high[i:]), high[i:]
		high = strings.TrimSuffix(high, unit)
	}
	if low == high {
		return low + unit
	}
	return low + ".." + high + unit
}

// count writes a whole number in groups of three: 1,234,567.
func count(n uint64) string {
	s := strconv.FormatUint(n, 10)
	if len(s) > 15 {
		return strconv.FormatFloat(float64(n), 'e', 3, 64)
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// plural writes n things.
func plural(n int, thing string) string {
	if n == 1 {
		return fmt.Sprintf("%d %s", n, thing)
	}
	if stem, ok := strings.CutSuffix(thing, "ry"); ok { // entries
		return fmt.Sprintf("%d %sries", n, stem)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// clean makes text from a scenario safe to print: line breaks and control
// characters, which could move the cursor or hide text, become blanks.
func clean(s string) string {
	s = strings.ToValidUTF8(s, "?")
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) || string(r) == stay {
			return r
		}
		return ' '
	}, s)
}

// wrap breaks text into lines of at most width columns, at blanks where it can.
func wrap(s string, width int) []string {
	lines, line, used := []string{}, "", 0
	for _, word := range strings.Fields(together.Replace(clean(s))) {
		for _, piece := range pieces(strings.ReplaceAll(word, stay, " "), width) {
			n := columns(piece)
			switch {
			case line == "":
				line, used = piece, n
			case used+1+n <= width:
				line, used = line+" "+piece, used+1+n
			default:
				lines, line, used = append(lines, line), piece, n
			}
		}
	}
	return append(lines, line)
}

// stay is a blank at which no line is broken. It is of the private use area, so
// that it stands in no text of a scenario.
const stay = "\uE000"

// together keeps units with their numbers.
var together = strings.NewReplacer(" %", stay+"%", " ms", stay+"ms", " s ", stay+"s ", " h ", stay+"h ")

// pieces cuts a word that is too long for a line.
func pieces(word string, width int) []string {
	if columns(word) <= width {
		return []string{word}
	}
	return strings.Split(text.WrapHard(word, width), "\n")
}

// cut shortens s to width columns and shows that it did.
func cut(s string, width int) string {
	return text.Snip(clean(s), width, "~")
}

// columns is the width of s on a terminal, colours not counted.
func columns(s string) int { return text.StringWidthWithoutEscSequences(s) }
