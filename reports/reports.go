// Package reports writes the answer of a run: as text for a terminal, as JSON
// and as CSV. It knows what the figures are called and how they are read, and
// nothing of how they came about.
//
// Every format uses the words of package fate for stages and fates. Text gives
// times in milliseconds, JSON and CSV in seconds. A figure that is not defined
// is a dash in text, null in JSON and an empty field in CSV; a figure that is
// not a finite number counts as not defined.
package reports

import (
	"io"
	"math"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// TextOptions says how a text report looks.
type TextOptions struct {
	Width int  // columns, at least 80; 0 = 80
	Color bool // mark verdicts and headings with colours too; words and marks are always there
}

// minWidth is the narrowest report: the tables are laid out for it.
const minWidth = 80

// Text writes the report for people. Its first six lines are the answer; tables
// follow. No line is longer than the width of the options. It returns the error
// of w.
func Text(w io.Writer, r *study.Result, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	answer(p, r)
	for i := range r.Receivers {
		display(p, r, &r.Receivers[i])
	}
	neighbours(p, r)
	phases(p, r)
	bridgeSection(p, r)
	busWaits(p, r)
	if r.Plan != nil && r.Plan.Needed {
		forwardTable(p, scenarios.ForwardCosts(r.Plan))
	}
	assumptions(p, r)
	certainty(p, r)
	cautions(p)
	_, err := io.WriteString(w, p.String())
	return err
}

// page collects the lines of a text report.
type page struct {
	options TextOptions
	lines   []string
	legend  bool // the letters of the bars have been explained
}

// String returns the lines without trailing blanks and with one newline each.
func (p *page) String() string {
	var b strings.Builder
	for _, line := range p.lines {
		b.WriteString(strings.TrimRight(line, " "))
		b.WriteByte('\n')
	}
	return b.String()
}

// heading starts a section.
func (p *page) heading(text string) {
	p.lines = append(p.lines, "")
	for _, line := range wrap(text, p.options.Width) {
		p.lines = append(p.lines, p.paint(bold, line))
	}
}

// paragraph appends text behind a label, wrapped, its further lines under the
// first.
func (p *page) paragraph(label, text string) {
	label = cut(label, p.options.Width*3/4)
	pad := strings.Repeat(" ", columns(label))
	for _, line := range wrap(text, p.options.Width-len(pad)) {
		p.lines = append(p.lines, label+line)
		label = pad
	}
}

// The colours are of the 256-colour table: a blue, an orange and a yellow that
// stay apart under the common kinds of colour blindness, and never the only sign.
const (
	bold   = "1"
	blue   = "38;5;33"
	orange = "1;38;5;208"
	yellow = "38;5;178"
)

// paint gives text a colour where colours are wanted.
func (p *page) paint(color, text string) string {
	if !p.options.Color || color == "" || text == "" {
		return text
	}
	return "\x1b[" + color + "m" + text + "\x1b[0m"
}

// verdictMarks is the second sign of a verdict beside its word.
var verdictMarks = map[study.Verdict]string{
	study.Met: "+ ", study.Missed: "! ", study.Undecided: "? ", study.NoLimit: "  ",
}

var verdictColors = map[study.Verdict]string{
	study.Met: blue, study.Missed: orange, study.Undecided: yellow,
}

// verdict returns the mark and the word of a verdict.
func (p *page) verdict(v study.Verdict) string {
	return p.paint(verdictColors[v], verdictMarks[v]+string(v))
}

// finite returns v, and defined only where v is a finite number too.
func finite(v float64, defined bool) (float64, bool) {
	return v, defined && !math.IsNaN(v) && !math.IsInf(v, 0)
}
