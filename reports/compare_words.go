package reports

import (
	"fmt"
	"math"
	"strings"

	"stalegauge/sim/study"
)

// The words for how a pair came out, in programs' reports too.
const (
	wordFresher   = "fresher" // B than A
	wordOlder     = "older"
	wordEqual     = "equal"
	wordNotShown  = "no difference shown"
	wordUndefined = "undefined"
)

// outcome is the word for B against A.
func outcome(p study.Paired) string {
	switch {
	case p.Equal():
		return wordEqual
	case p.Sign() < 0:
		return wordFresher
	case p.Sign() > 0:
		return wordOlder
	case p.Difference.Interval:
		return wordNotShown
	}
	return wordUndefined
}

// mark is the outcome as a sign: lower ages are fresher, and what is never shown is
// infinitely old.
func mark(p study.Paired) string {
	never := [2]bool{math.IsInf(p.A, 1), math.IsInf(p.B, 1)}
	switch word := outcome(p); {
	case word == wordEqual:
		return "="
	case word == wordFresher || never[0] && !never[1]:
		return "+"
	case word == wordOlder || never[1] && !never[0]:
		return "!"
	case word == wordNotShown:
		return "?"
	}
	return ""
}

// swapped is the same figure with the designs in the other order.
func swapped(p study.Paired) study.Paired {
	d := p.Difference
	d.Value, d.Low, d.High = -d.Value, -d.High, -d.Low
	return study.Paired{A: p.B, B: p.A, Difference: d}
}

// sentence says how a pair came out at p99 of the key signal, how the other
// signals did, and which of them one design never shows.
func sentence(c *study.Comparison, p *study.Pair) string {
	a, b := c.Designs[p.A].Name, c.Designs[p.B].Name
	d := p.Decisive()
	low, high := d.Difference.Low, d.Difference.High
	if d.Sign() < 0 {
		low, high = -high, -low
	}
	text := ""
	switch outcome(d) {
	case wordFresher, wordOlder:
		winner, loser := a, b
		if d.Sign() < 0 {
			winner, loser = b, a
		}
		text = fmt.Sprintf("%s is fresher than %s by %s at p99, %s", winner, loser, span(math.Abs(d.Difference.Value), true), lowToHigh(low, high))
	case wordEqual:
		text = fmt.Sprintf("%s and %s are equally fresh at p99 in all that was simulated", a, b)
	case wordNotShown:
		text = fmt.Sprintf("no difference shown between %s and %s at p99: %s less %s is %s; %s", a, b, b, a, lowToHigh(low, high), more(c, d))
	default:
		text = fmt.Sprintf("%s and %s cannot be compared at p99: too little was shown", a, b)
	}
	return text + others(p, a, b)
}

// others counts how the signals of a pair came out, and names those that only one
// design shows.
func others(p *study.Pair, a, b string) string {
	fresherA, fresherB, open := 0, 0, 0
	var never [2][]string
	for i := range p.Signals {
		s := &p.Signals[i]
		name := s.Receiver + " " + s.Signal
		notA, notB := math.IsInf(s.P99.A, 1), math.IsInf(s.P99.B, 1)
		switch outcome(s.P99) {
		case wordFresher:
			fresherB++
		case wordOlder:
			fresherA++
		case wordNotShown:
			open++
		}
		if notA && !notB {
			never[0] = append(never[0], name)
		}
		if notB && !notA {
			never[1] = append(never[1], name)
		}
	}
	text := ""
	if fresherA+fresherB+open > 0 {
		text = fmt.Sprintf("; of %s %d fresher with %s, %d with %s, %d not shown", plural(len(p.Signals), "signal"), fresherA, a, fresherB, b, open)
	}
	for i, names := range never {
		if len(names) > 0 {
			text += fmt.Sprintf("; but %s never shows %s", [2]string{a, b}[i], some(names))
		}
	}
	return text
}

// lowToHigh writes an interval of times as a sentence has it.
func lowToHigh(low, high float64) string {
	l, h := signed(span(low, true), low), signed(span(high, true), high)
	if unit := " ms"; strings.HasSuffix(l, unit) && strings.HasSuffix(h, unit) {
		l = strings.TrimSuffix(l, unit)
	}
	return l + " to " + h
}

// signed makes no difference of a zero that rounding gave a sign.
func signed(text string, v float64) string {
	if v < 0 && strings.Trim(text, "-0. ms") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return text
}

// more says how much more work would show which difference: the largest 1, 2 or 5
// with zeros that is clearly less than the present half-width, which falls as one
// over the root of the time.
func more(c *study.Comparison, d study.Paired) string {
	half := (d.Difference.High - d.Difference.Low) / 2
	size := math.Pow(10, math.Floor(math.Log10(.8*half)))
	for _, m := range []float64{5, 2} {
		if m*size <= .8*half {
			size *= m
			break
		}
	}
	one := c.Simulated / float64(c.Replications)
	further := math.Ceil((half*half/(size*size) - 1) * float64(c.Replications))
	return fmt.Sprintf("%s more would show %s (--replications %.0f)", lasting(further*one), short(size), float64(c.Replications)+further)
}

// lasting writes a length of time in the unit that people would use.
func lasting(seconds float64) string {
	switch {
	case seconds < 120:
		return fmt.Sprintf("%.0f seconds", seconds)
	case seconds < 2*3600:
		return fmt.Sprintf("%.0f minutes", seconds/60)
	default:
		return fmt.Sprintf("%.0f hours", seconds/3600)
	}
}

// short writes a time of one digit without noise behind the point.
func short(seconds float64) string { return fmt.Sprintf("%g ms", math.Round(seconds*1e12)/1e9) }

// signedMillis writes a difference in milliseconds with its sign.
func signedMillis(seconds float64, defined bool) string {
	text := millis(seconds, defined)
	if text != dash && seconds > 0 && strings.Trim(text, "0.") != "" {
		return "+" + text
	}
	return signed(text, seconds)
}

// ratioText writes a p99 in units of its limit.
func ratioText(v float64) string {
	switch {
	case math.IsInf(v, 1):
		return "never"
	case math.IsNaN(v):
		return dash
	}
	return significant(v)
}

// percentValue writes a share without its unit, for a column that names it.
func percentValue(v study.Value) string { return number(v.Value*100, v.Defined, "") }
