package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim/explain"
)

// mostSteps is how many steps are told; of more, the first and the last ones.
const mostSteps = 30

// step is one thing that happened.
type step struct {
	at   time.Duration
	text string
	kind string // for counting those that are not told
}

// story tells what happened step by step.
func (t *teller) story() {
	e := t.e
	titles := map[explain.Kind]string{
		explain.Oldest: "How it grew so old", explain.Violation: "The longest time over the limit",
		explain.Change: "The slowest change", explain.Lost: "A change that was never shown",
		explain.Start: "The slowest start", explain.Dark: "A start without a value",
	}
	t.heading(titles[e.Kind] + ", step by step")
	t.paragraph("  ", fmt.Sprintf("Run %d, from %.6f s after its beginning. Times count from there.", e.Replication, e.Origin.Seconds()))
	steps := t.steps()
	slices.SortStableFunc(steps, func(a, b step) int { return cmp.Compare(a.at, b.at) })
	for i := 0; i < len(steps); i++ {
		if cut := len(steps) - mostSteps; cut > 1 && i == mostSteps/2 {
			t.paragraph(strings.Repeat(" ", 10)+"...  ", leftOut(steps[i:i+cut]))
			i += cut - 1
			continue
		}
		t.paragraph(fmt.Sprintf("%10.1f ms  ", t.since(steps[i].at)), steps[i].text)
	}
	idle := 0
	for _, f := range t.flights() {
		if f.idle {
			idle++
		}
	}
	if idle > 0 {
		t.paragraph("  ", fmt.Sprintf("Left out: %s only values that the display had already.", several(idle, "broadcast", "carried", "carried")))
	}
	if e.LeftOut > 0 {
		t.paragraph("  ", fmt.Sprintf("%s on the bus meanwhile, of which nothing is told here.", several(e.LeftOut, "further value", "came", "came")))
	}
}

// leftOut counts steps that are not told.
func leftOut(steps []step) string {
	var kinds []string
	counts := map[string]int{}
	for _, s := range steps {
		if counts[s.kind]++; counts[s.kind] == 1 {
			kinds = append(kinds, s.kind)
		}
	}
	for i, k := range kinds {
		kinds[i] = fmt.Sprintf("%s %s", count(uint64(counts[k])), k)
	}
	return fmt.Sprintf("%s more steps: %s", count(uint64(len(steps))), strings.Join(kinds, "; "))
}

// since is the time from the origin, in ms.
func (t *teller) since(at time.Duration) float64 { return (at - t.e.Origin).Seconds() * 1000 }

// moment names a value by the time at which it was sent.
func (t *teller) moment(l *explain.Life) string { return fmt.Sprintf("%.1f", t.since(l.ValidAt)) }

// values names several values.
func (t *teller) values(lives []*explain.Life) string {
	switch n := len(lives); n {
	case 1:
		return "the value sent at " + t.moment(lives[0]) + " ms"
	case 2:
		return "the values sent at " + t.moment(lives[0]) + " and " + t.moment(lives[1]) + " ms"
	default:
		return fmt.Sprintf("%d values sent at %s to %s ms", n, t.moment(lives[0]), t.moment(lives[n-1]))
	}
}

// steps lists all that happened.
func (t *teller) steps() []step {
	e := t.e
	steps := []step{t.begin()}
	if b := e.Before; b != nil {
		at := b.Glass
		if e.InMemory {
			at = b.Taken
		}
		if at >= 0 {
			steps = append(steps, step{at, fmt.Sprintf("It is %s, %s old: %s.", t.place(), t.ago(at, b), t.way(b, at)), "values shown"})
		}
	}
	for _, f := range t.flights() {
		if !f.idle {
			steps = append(steps, t.flightStep(f))
		}
	}
	steps = append(steps, t.silences()...)
	steps = append(steps, t.unsent()...)
	for _, l := range e.Lives {
		if at := t.arrival(l); at >= 0 && at < e.Until {
			steps = append(steps, step{at, fmt.Sprintf("%s is %s, but already %s old.", capital(t.values([]*explain.Life{l})), t.place(), t.ago(at, l)), "values shown, too old already"})
		}
	}
	if e.Kind == explain.Lost && e.Again >= 0 {
		steps = append(steps, step{e.Again, "The bus carries another value from here on.", "changes"})
	}
	if limit := t.limitAt(); limit >= 0 {
		text := "The limit of " + seconds(e.Shown.Limit.Value) + " is passed."
		if e.Kind == explain.Violation && limit > e.Origin+e.Shown.Limit.Value {
			text = "From here on ages count. This one is over the limit of " + seconds(e.Shown.Limit.Value) + " already."
		}
		steps = append(steps, step{limit, text, "limit"})
	}
	steps = append(steps, t.draws()...)
	return append(steps, t.end())
}

// mostIdle is how many redraws without anything newer are told one by one.
const mostIdle = 8

// draws tells of the redraws that matter: those with a newer value and, where they
// are few, those without.
func (t *teller) draws() []step {
	e := t.e
	if e.InMemory {
		return nil
	}
	var with, without []step
	shown := e.Origin
	if e.Before != nil && e.Before.Glass > 0 {
		shown = e.Before.Glass
	}
	for _, at := range e.Draws {
		end := at + e.Receiver.Draw
		if at < shown || end > e.Until {
			continue
		}
		i := slices.IndexFunc(e.Lives, func(l *explain.Life) bool { return l.Glass == end })
		switch {
		case i >= 0 && end > at:
			with = append(with, step{at, fmt.Sprintf("The display begins to draw %s.", t.values(e.Lives[i:i+1])), "redraws"})
		case i < 0 && e.Kind == explain.Lost && end == e.Until:
			with = append(with, step{at, "The display begins to draw a later value.", "redraws"})
		case i < 0:
			without = append(without, step{at, "The display draws, " + t.lacking() + ".", "redraws without it"})
		}
	}
	if len(without) > mostIdle {
		without = nil
	}
	return append(with, without...)
}

// lacking says what the display has not got in its memory.
func (t *teller) lacking() string {
	switch {
	case ofAge(t.e):
		return "but has nothing newer in its memory"
	case ofStart(t.e):
		return "but has no value in its memory"
	default:
		return "but does not have the change in its memory"
	}
}

// arrival is when a value came to where the limit counts.
func (t *teller) arrival(l *explain.Life) time.Duration {
	if t.e.InMemory {
		return l.Taken
	}
	return l.Glass
}

// limitAt is when the limit was passed, negative when it was not, or is not of
// that kind.
func (t *teller) limitAt() time.Duration {
	e := t.e
	if e.Shown.Limit == nil || e.Kind == explain.Oldest {
		return -1
	}
	at := e.Origin + e.Shown.Limit.Value
	if e.Kind == explain.Violation {
		at = e.From
	}
	if at > e.Until {
		return -1
	}
	return at
}

// begin is the first step.
func (t *teller) begin() step {
	s := step{at: t.e.Origin, kind: "beginning"}
	switch t.e.Kind {
	case explain.Change, explain.Lost:
		s.text = "The value changes in the machine."
	case explain.Start, explain.Dark:
		s.text = "The display is switched on."
	default:
		s.text = "The machine sends out the value that will grow too old."
		if t.e.Kind == explain.Oldest {
			s.text = "The machine sends out the value that will grow so old."
		}
	}
	return s
}

// end is the last step.
func (t *teller) end() step {
	e := t.e
	s := step{at: e.Until, kind: "end"}
	switch {
	case !e.Ended && !e.AtEnd:
		s.text = "Here the traffic of the bus breaks off: what was shown is void."
	case !e.Ended:
		s.text = "The run ends here. No value has ended it."
	case e.Kind == explain.Lost:
		s.text = fmt.Sprintf("A later value is %s, sent at %.1f ms, when the value had changed again. The change was never shown.", t.place(), t.since(e.Later))
	case e.Ender == nil:
		s.text = "An older value, of which nothing is told here, is " + t.place() + "."
	default:
		s.text = fmt.Sprintf("%s is %s, %s old: %s.", capital(t.values([]*explain.Life{e.Ender})), t.place(), t.ago(e.Until, e.Ender), t.way(e.Ender, e.Until))
		if e.Kind == explain.Violation {
			s.text += fmt.Sprintf(" That ends it, %s after the limit was passed.", tenths(e.Until-e.From))
		}
	}
	return s
}

// ago is the age of a value at an instant.
func (t *teller) ago(at time.Duration, l *explain.Life) string { return tenths(at - l.ValidAt) }

// tenths writes a time in ms with one digit behind the point.
func tenths(d time.Duration) string { return fmt.Sprintf("%.1f ms", d.Seconds()*1000) }

// unsent tells of the values that left in no broadcast, equal fates in a row
// together.
func (t *teller) unsent() []step {
	var steps []step
	var row []*explain.Life
	tell := func() {
		if len(row) == 0 {
			return
		}
		first := row[0]
		s := step{at: first.Settled, kind: "times values " + framePhrases[first.Fate]}
		if first.Settled < 0 {
			s.at, s.text, s.kind = t.e.Until, capital(t.values(row))+": still inside the bridge, not sent yet.", "values in the bridge"
		} else {
			s.text = capital(t.values(row)) + ": " + framePhrases[first.Fate] + "."
		}
		steps = append(steps, s)
		row = row[:0]
	}
	for _, l := range t.e.Lives {
		if len(l.Sendings) > 0 {
			tell()
			continue
		}
		if len(row) > 0 && ((row[0].Settled < 0) != (l.Settled < 0) || row[0].Fate != l.Fate) {
			tell()
		}
		row = append(row, l)
	}
	tell()
	return steps
}

// silences tells when the bus carried no newer value for three periods or more.
func (t *teller) silences() []step {
	var steps []step
	period := t.e.Shown.Period
	if period <= 0 {
		return nil
	}
	last := t.e.Origin
	note := func(at time.Duration) {
		if at-last >= 3*period {
			steps = append(steps, step{at, fmt.Sprintf("Until now the bus carried no newer value for %s; one is due every %s.", tenths(at-last), seconds(period)), "silences of the bus"})
		}
		last = max(last, at)
	}
	for _, l := range t.e.Lives {
		if t.e.LeftOut == 0 || l != t.e.Ender { // between the two there were others
			note(l.Received)
		}
	}
	if t.e.LeftOut == 0 && !t.e.Ended && t.e.Kind != explain.Lost && t.e.Kind != explain.Change {
		note(t.e.Until)
	}
	return steps
}

// ofAge reports whether the explanation is about an age.
func ofAge(e *explain.Explanation) bool {
	return e.Kind == explain.Violation || e.Kind == explain.Oldest
}

// ofStart reports whether it is about a start.
func ofStart(e *explain.Explanation) bool {
	return e.Shown.Limit != nil && e.Shown.Limit.Of == scenarios.OfFirstPicture || e.Kind == explain.Dark
}
