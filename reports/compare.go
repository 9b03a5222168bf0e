package reports

import (
	"fmt"
	"io"
	"math"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// CompareText writes a comparison for people: first the verdicts in words, then
// each design by itself, the matrix of differences, and each pair in detail. No
// line is longer than the width of the options. It returns the error of w.
func CompareText(w io.Writer, c *study.Comparison, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	compareVerdicts(p, c)
	compareDesigns(p, c)
	compareMatrix(p, c)
	for _, i := range detailed(c) {
		comparePair(p, c, &c.Pairs[i])
	}
	compareChanges(p, c)
	compareCertainty(p, c)
	cautions(p)
	_, err := io.WriteString(w, p.String())
	return err
}

// sentencesShown is how many verdicts are written out before the matrix has to do.
const sentencesShown = 10

func compareVerdicts(p *page, c *study.Comparison) {
	shown, best := 0, freshest(c)
	label := "verdict  "
	for i := range c.Pairs {
		if len(c.Pairs) > sentencesShown && c.Against == "" && c.Pairs[i].A != best && c.Pairs[i].B != best {
			continue
		}
		p.paragraph(label, sentence(c, &c.Pairs[i]))
		label, shown = "         ", shown+1
	}
	if left := len(c.Pairs) - shown; left > 0 {
		p.paragraph(label, fmt.Sprintf("%s more in the matrix below", plural(left, "pair")))
	}
	if c.Key.Signal == "" {
		p.paragraph("of       ", "no signal was shown by all designs")
		return
	}
	p.paragraph("of       ", fmt.Sprintf("%s %s, the signal %s on average over the designs; p99: the age not exceeded 99 %% of the time", c.Key.Receiver, c.Key.Signal, keyReason(c)))
}

// keyReason says why the key signal is it: without any limit of an age the period
// took the place of the limit.
func keyReason(c *study.Comparison) string {
	for _, d := range c.Designs {
		if d.Plan == nil {
			continue
		}
		for i := range d.Plan.Receivers {
			r := &d.Plan.Receivers[i]
			for k := range r.Shows {
				if s := &r.Shows[k]; r.Name == c.Key.Receiver && s.Signal.Name == c.Key.Signal && s.AgeLimit() == nil {
					return "whose p99 is the most of its period"
				}
			}
		}
	}
	return "closest to its limit"
}

// freshest is the design that is fresher than most others; of several the first.
func freshest(c *study.Comparison) int {
	wins := make([]int, len(c.Designs))
	best := 0
	for i := range c.Pairs {
		sign := c.Pairs[i].Decisive().Sign()
		wins[c.Pairs[i].A] += sign
		wins[c.Pairs[i].B] -= sign
	}
	for i, n := range wins {
		if n > wins[best] {
			best = i
		}
	}
	return best
}

// detailed lists the pairs that are told signal by signal: with the design that
// all are compared with, without one those with the first design.
func detailed(c *study.Comparison) (all []int) {
	for i := range c.Pairs {
		if c.Against != "" || c.Pairs[i].A == 0 {
			all = append(all, i)
		}
	}
	return all
}

func compareDesigns(p *page, c *study.Comparison) {
	p.heading("Each design (ages in ms by time, average of the signals shown; worst: largest p99 in units of its limit)")
	t := newTable(p, "design", "mean", "p95", "p99", "% over\nlimit", "worst", "limits\nmet of", "own air\n%", "with\naccess %", "sent\n/s")
	for i, r := range c.Results {
		o := own(r)
		n := verdicts(r)
		t.row(clean(c.Designs[i].Name), millis(o.mean, true), millis(o.p95, true), millis(o.p99, true), number(o.over*100, true, ""),
			ratioText(o.worst), fmt.Sprintf("%d/%d", n[study.Met], limitCount(r)),
			percentValue(r.OwnShare), percentValue(r.OwnOccupancy), number(r.BroadcastsPerSecond.Value, r.BroadcastsPerSecond.Defined, ""))
	}
	t.write()
	for i, r := range c.Results {
		if names := neverShown(r); len(names) > 0 {
			p.paragraph("  ! ", c.Designs[i].Name+" never shows "+some(names))
		}
		if display, s := worstP99(r); s != nil {
			p.paragraph("  worst with "+c.Designs[i].Name+": ", worstLine(display, s))
		}
	}
}

// ownFigures are averages over the signals that a design has shown.
type ownFigures struct{ mean, p95, p99, over, worst float64 }

func own(r *study.Result) ownFigures {
	f := ownFigures{worst: math.NaN()}
	n, limits := 0.0, 0.0
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			s := &r.Receivers[i].Signals[k]
			if s.Shown.Limit != nil {
				if ratio := ofLimit(s); !math.IsNaN(ratio) && !(ratio <= f.worst) {
					f.worst = ratio
				}
				if s.OverLimit.Defined {
					f.over, limits = f.over+s.OverLimit.Value, limits+1
				}
			}
			if a := limited(s); a.P99.Defined {
				f.mean, f.p95, f.p99, n = f.mean+a.Mean.Value, f.p95+a.P95.Value, f.p99+a.P99.Value, n+1
			}
		}
	}
	return ownFigures{f.mean / n, f.p95 / n, f.p99 / n, f.over / limits, f.worst}
}

// ofLimit is how far a signal is from its limit as comparisons see it, where a limit
// of the first picture, of which there is one a replication, has no part. It is not a
// number without a limit, or where nothing changed.
func ofLimit(s *study.Signal) float64 {
	if l := s.Shown.Limit; l == nil || l.Of == scenarios.OfFirstPicture {
		return math.NaN()
	}
	return closeness(s)
}

// worstP99 is the signal with a limit whose p99 is the largest in units of it.
func worstP99(r *study.Result) (display *study.Receiver, worst *study.Signal) {
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			s := &r.Receivers[i].Signals[k]
			if ratio := ofLimit(s); !math.IsNaN(ratio) && (worst == nil || ratio > ofLimit(worst)) {
				display, worst = &r.Receivers[i], s
			}
		}
	}
	return display, worst
}

func neverShown(r *study.Result) (names []string) {
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			if s := &r.Receivers[i].Signals[k]; !s.Age.P99.Defined {
				names = append(names, r.Receivers[i].Name+" "+s.Shown.Signal.Name)
			}
		}
	}
	return names
}

// some lists names, and how many more there are of them.
func some(names []string) string {
	const most = 3
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}

// marksExplained says what the marks of differences mean.
const marksExplained = "+ fresher, ! older, = equal, ? no difference shown"

// widestMatrix is how many designs have room for numbers.
const widestMatrix = 6

func compareMatrix(p *page, c *study.Comparison) {
	if len(c.Designs) < 3 || c.Against != "" {
		return
	}
	numbers := len(c.Designs) <= widestMatrix
	what := "row less column, ms"
	if !numbers {
		what = "row against column"
	}
	p.heading(fmt.Sprintf("p99 of %s %s, %s (%s)", c.Key.Receiver, c.Key.Signal, what, marksExplained))
	head := []string{"design"}
	for i := range c.Designs {
		head = append(head, fmt.Sprint(i+1))
	}
	t := newTable(p, head...)
	for row := range c.Designs {
		cells := []string{fmt.Sprintf("%d %s", row+1, clean(c.Designs[row].Name))}
		for column := range c.Designs {
			cells = append(cells, matrixCell(c, row, column, numbers))
		}
		t.row(cells...)
	}
	t.write()
}

func matrixCell(c *study.Comparison, row, column int, numbers bool) string {
	for i := range c.Pairs {
		pair := &c.Pairs[i]
		d := pair.Decisive()
		switch {
		case pair.A == column && pair.B == row:
		case pair.A == row && pair.B == column:
			d = swapped(d)
		default:
			continue
		}
		if !numbers {
			return mark(d)
		}
		return mark(d) + " " + signedMillis(d.Difference.Value, d.Difference.Defined)
	}
	return ""
}

func compareChanges(p *page, c *study.Comparison) {
	p.heading("What the designs are")
	for _, d := range c.Designs {
		changes := d.Changes
		if changes == "" {
			changes = "the scenario as it stands"
		}
		p.paragraph("  "+clean(d.Name)+": ", changes)
		if d.Plan != nil {
			for _, w := range d.Plan.Warnings {
				p.paragraph("    ! ", w)
			}
		}
	}
}

// compareCertainty writes what the intervals rest on and what repeats them.
func compareCertainty(p *page, c *study.Comparison) {
	p.heading("How sure, and how to repeat it")
	divided := plural(len(c.Pairs), "pair")
	looks := ""
	if c.Sequential {
		divided += " and 6 looks"
		looks = "; stopped before the first look"
		if len(c.Looks) > 0 {
			texts := make([]string, len(c.Looks))
			for i, n := range c.Looks {
				texts[i] = fmt.Sprint(n)
			}
			looks = "; looked after " + strings.Join(texts, ", ")
		}
	}
	p.paragraph("  intervals   ", fmt.Sprintf("%.4g %% confidence each, so that one figure is right for %s together at 95 %% (Bonferroni)%s", c.Confidence*100, divided, looks))
	p.paragraph("  how many    ", fmt.Sprintf("figures and signals are judged one by one: by chance alone about one interval in %.0f misses", 1/(1-c.Confidence)))
	p.paragraph("  pairing     ", fmt.Sprintf("replication i of each design meets the same bus traffic, the same fading and the same phases; differences of pooled values, jackknife over %d groups of replications, the same left out of both", min(c.Replications, study.MaxGroups)))
	again := fmt.Sprintf("--replications %d", c.Replications)
	if c.Sequential {
		again = fmt.Sprintf("--replications auto --budget %dframes", c.Frames)
	}
	p.paragraph("  work        ", fmt.Sprintf("%s of each design, %s simulated for each, %s bus frames in all; the same work again: %s",
		plural(c.Replications, "replication"), long(c.Simulated), count(c.Frames), again))
	if plan := planOf(c); plan != nil {
		p.paragraph("  scenario    ", plan.Name+" (sha256 "+plan.SHA256+")")
		p.paragraph("  repeat      ", fmt.Sprintf("seed %d, version %s: the same bytes on any number of cores", plan.Seed, c.Version))
	}
}

// planOf is the plan that stands for the scenario: that of the yardstick, which is
// made from it, or of the first design.
func planOf(c *study.Comparison) *scenarios.Plan {
	for _, d := range c.Designs {
		if d.Yardstick {
			return d.Plan
		}
	}
	if len(c.Designs) > 0 {
		return c.Designs[0].Plan
	}
	return nil
}
