package reports

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"stalegauge/bus/fate"
	"stalegauge/sim/study"
)

// stageLetters draw the stages in a bar, in the order of the stages; the dot
// draws what is too small to be drawn.
const (
	stageLetters = "swpbhlqatcfvnd"
	restLetter   = '.'
)

// smallTerm is the least that a picture draws and names on its own, in seconds.
const smallTerm = 0.05e-3

// barWidth is a whole bar, in columns.
const barWidth = 32

// waterfall draws where the mean age of each signal comes from.
func waterfall(p *page, d *study.Receiver) {
	p.heading(d.Name + ": where the mean age comes from, ms (bar: the whole mean)")
	if !p.legend {
		p.legend = true
		var legend []string
		for s := range fate.Stages {
			legend = append(legend, string(stageLetters[s])+" "+s.String())
		}
		p.paragraph("  ", strings.Join(append(legend, ". rest: terms under 0.05 ms together"), ", "))
	}
	name := len("signal")
	for i := range d.Signals {
		name = max(name, columns(clean(d.Signals[i].Shown.Signal.Name)))
	}
	name = min(name, 20)
	for i := range d.Signals {
		s := &d.Signals[i]
		label := cut(s.Shown.Signal.Name, name)
		label += strings.Repeat(" ", name-columns(label)) + gap
		if terms := drawnTerms(s); s.WaterfallOpen && total(terms) < longestDrawn {
			drawMean(p, label, s, terms)
		} else {
			p.lines = append(p.lines, label+ms(s.Age.Mean))
		}
	}
}

// longestDrawn is the mean age beyond which a bar makes no sense, in seconds.
const longestDrawn = 1e9

// drawMean draws the bar of one signal and writes its sum below it.
func drawMean(p *page, label string, s *study.Signal, terms []term) {
	values := printedTerms(terms)
	sum := 0
	var items []string
	for i, t := range terms {
		sum += values.of[i]
		if values.of[i] > 0 {
			items = append(items, t.word+stay+values.write(values.of[i]))
		}
	}
	line := fmt.Sprintf("%s%8s  %-*s", label, values.write(sum), barWidth, bar(terms))
	if i := between(s.Age.Mean, millis); i != dash && columns(line)+2+columns(i) <= p.options.Width {
		line += gap + i
	}
	p.lines = append(p.lines, line)
	p.paragraph("    = ", strings.Join(items, " + "))
	if s.Age.Mean.Defined && math.Abs(total(terms)-s.Age.Mean.Value) > 1e-6*s.Age.Mean.Value {
		p.paragraph("    ! ", "these terms do not add up to the mean age of "+span(s.Age.Mean.Value, true))
	}
}

// term is one piece of a bar.
type term struct {
	letter  rune
	word    string
	seconds float64
}

// drawnTerms lists the terms of a signal in the order of the stages, the small
// ones together at the end.
func drawnTerms(s *study.Signal) []term {
	var terms []term
	rest := term{letter: restLetter, word: "rest"}
	for stage, v := range s.Waterfall {
		v, ok := finite(v, true)
		switch {
		case !ok || v <= 0:
		case v < smallTerm:
			rest.seconds += v
		default:
			terms = append(terms, term{rune(stageLetters[stage]), fate.Stage(stage).String(), v})
		}
	}
	if rest.seconds > 0 || len(terms) == 0 {
		terms = append(terms, rest)
	}
	return terms
}

func total(terms []term) float64 {
	sum := 0.0
	for _, t := range terms {
		sum += t.seconds
	}
	return sum
}

// printed holds terms rounded to whole units so that their printed sum is the
// printed mean.
type printed struct {
	of     []int
	digits int // behind the point of a millisecond
}

func (v printed) write(n int) string {
	return fmt.Sprintf("%.*f", v.digits, float64(n)/math.Pow10(v.digits))
}

// printedTerms rounds the terms. The digits follow the size of the mean, which
// must be below [longestDrawn].
func printedTerms(terms []term) printed {
	sum := total(terms) * 1000
	v := printed{digits: 2}
	if sum >= 10 {
		v.digits = 1
	}
	parts := make([]float64, len(terms))
	for i, t := range terms {
		parts[i] = t.seconds
	}
	v.of = apportion(parts, int(math.Round(sum*math.Pow10(v.digits))))
	return v
}

// bar draws the terms as letters, each as long as its share.
func bar(terms []term) string {
	parts := make([]float64, len(terms))
	for i, t := range terms {
		parts[i] = t.seconds
	}
	var b strings.Builder
	for i, n := range apportion(parts, barWidth) {
		b.WriteString(strings.Repeat(string(terms[i].letter), n))
	}
	return b.String()
}

// apportion splits a whole number in the ratio of the parts: each gets its share
// rounded down, and what is left goes to the largest remainders, the earlier
// part first among equals.
func apportion(parts []float64, whole int) []int {
	sum := 0.0
	for _, p := range parts {
		sum += p
	}
	out := make([]int, len(parts))
	if sum <= 0 || math.IsInf(sum, 0) {
		return out
	}
	remainders, order, left := make([]float64, len(parts)), make([]int, len(parts)), whole
	for i, p := range parts {
		exact := p / sum * float64(whole)
		out[i] = int(exact)
		remainders[i], order[i] = exact-float64(out[i]), i
		left -= out[i]
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(remainders[b], remainders[a]) })
	for i := 0; left > 0; i++ {
		out[order[i%len(order)]]++
		left--
	}
	return out
}
