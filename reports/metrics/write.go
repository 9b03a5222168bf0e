package metrics

import (
	"bufio"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Write writes the history as OpenMetrics text and returns how many samples that
// were. Every replication must have ended. It returns the error of w.
//
// The form is that of the OpenMetrics specification, version 1.0: a family in one
// piece, the samples of a metric in the order of time, "# EOF" at the end.
func (h *History) Write(w io.Writer) (samples int, err error) {
	out := historyWriter{Writer: bufio.NewWriterSize(w, 1<<20)}
	for _, f := range families {
		begun := false
		for i := range h.runs[0].columns {
			if h.runs[0].columns[i].family != f {
				continue
			}
			if !begun {
				out.head(f)
				begun = true
			}
			for k := range h.runs {
				h.metric(&out, &h.runs[k].columns[i], k)
			}
		}
	}
	_, _ = out.WriteString("# EOF\n") // Flush tells of every error before
	return out.samples, out.Flush()
}

type historyWriter struct {
	*bufio.Writer
	line    []byte
	samples int
}

// head writes what a family is.
func (w *historyWriter) head(f *family) {
	name := strings.TrimSuffix(f.name, "_total")
	kinds := [...]string{counter: "counter", gauge: "gauge", histogram: "histogram"}
	_, _ = w.WriteString("# HELP " + name + " " + escape(f.help) + "\n# TYPE " + name + " " + kinds[f.kind] + "\n")
}

// metric writes one column of one replication.
func (h *History) metric(w *historyWriter, c *column, replication int) {
	labels := []byte("{")
	for i, value := range c.labels {
		labels = append(labels, c.family.labels[i]+`="`+escape(value)+`",`...)
	}
	labels = append(labels, `design="`+escape(h.design)+`",replication="`+strconv.Itoa(replication)+`"`...)
	rows := h.runs[replication].rows
	for i, row := range rows {
		at := h.reader.end
		if i < len(h.looks) {
			at = h.looks[i]
			// The first sample of a millisecond is the one that a server keeps.
			inside := h.grid[i] && at/time.Millisecond > c.from/time.Millisecond
			if at != c.from && !inside {
				continue
			}
		}
		if c.family.kind != histogram {
			w.sample(c, "", labels, "", row[c.at], at)
			continue
		}
		n := len(AgeBounds)
		for k, bound := range AgeBounds {
			w.sample(c, "_bucket", labels, float(bound.Seconds()), row[c.at+k], at)
		}
		w.sample(c, "_bucket", labels, "+Inf", row[c.at+n], at)
		w.sample(c, "_sum", labels, "", row[c.at+n+1], at)
		w.sample(c, "_count", labels, "", row[c.at+n], at)
	}
}

// sample writes one line, none where there is no value.
func (w *historyWriter) sample(c *column, ending string, labels []byte, bound string, value float64, at time.Duration) {
	if math.IsNaN(value) {
		return
	}
	if c.family == lastUpdate {
		value += float64(Epoch.Unix())
	}
	line := append(w.line[:0], c.family.name...)
	line = append(append(line, ending...), labels...)
	if bound != "" {
		line = append(append(append(line, `,le="`...), bound...), '"')
	}
	line = append(line, "} "...)
	line = strconv.AppendFloat(line, value, 'g', -1, 64)
	line = append(line, ' ')
	line = appendSeconds(line, Epoch.UnixMilli()+int64(at/time.Millisecond))
	line = append(line, '\n')
	_, _ = w.Write(line)
	w.line = line
	w.samples++
}

// appendSeconds writes milliseconds as seconds.
func appendSeconds(b []byte, ms int64) []byte {
	b = strconv.AppendInt(b, ms/1000, 10)
	rest := ms % 1000
	return append(b, '.', byte('0'+rest/100), byte('0'+rest/10%10), byte('0'+rest%10))
}

// float writes a bound as the specification does, with a point.
func float(v float64) string {
	s := strconv.FormatFloat(v, 'g', -1, 64)
	if !strings.ContainsAny(s, ".e") {
		s += ".0"
	}
	return s
}

var escaper = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// escape makes a text fit between quotation marks.
func escape(s string) string { return escaper.Replace(strings.ToValidUTF8(s, "\uFFFD")) }
