package reports

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/sim/explain"
)

// split says in two or three lines where the time went.
func (t *teller) split() {
	e := t.e
	total := e.Until - e.Origin
	if !e.Ended || e.Between > 0 || e.Kind == explain.Lost {
		t.between()
		return
	}
	first := e.FirstTaken()
	if first == nil {
		return
	}
	var parts []leg
	at := e.Origin
	add := func(to time.Duration, text string) {
		to = min(max(to, at), e.Until)
		parts = append(parts, leg{text, to - at})
		at = to
	}
	switch {
	case e.Before != nil && t.arrival(e.Before) >= 0:
		add(t.arrival(e.Before), "the way of the old value until it was "+t.place())
		add(first.Taken, "until the display had a newer value in its memory"+t.losses())
	case ofStart(e):
		add(first.Taken, "until the display had a value in its memory"+t.losses())
	default:
		add(e.Lives[0].Received, "until the bus carried the change")
		add(first.Taken, "until it was in the display's memory"+t.losses())
	}
	if !e.InMemory {
		add(e.Until, "until the display had drawn it")
	}
	t.heading("Where the " + tenths(total) + " went")
	for _, p := range parts {
		if p.took > 0 {
			t.paragraph(fmt.Sprintf("%10.1f ms  ", p.took.Seconds()*1000), p.text)
		}
	}
}

// between says what came and was of no help.
func (t *teller) between() {
	e := t.e
	if e.Between == 0 {
		return
	}
	t.heading("What came meanwhile")
	t.paragraph("  ", fmt.Sprintf("%s %s, each already %s to %s old when it came there.",
		several(e.Between, "newer value", "was", "were"), t.place(), tenths(e.Youngest), tenths(e.Oldest)))
}

// losses counts the broadcasts that brought nothing before the first that did.
func (t *teller) losses() string {
	first := t.e.FirstTaken()
	lost := 0
	for _, f := range t.flights() {
		if useless(f) && f.at() < first.Taken && f.lives[len(f.lives)-1] != t.e.Before {
			lost++
		}
	}
	if lost == 0 {
		return ""
	}
	return ", after " + several(lost, "broadcast", "was", "were") + " lost"
}

// useless reports whether a broadcast was lost on its way to the display.
func useless(f *flight) bool {
	return !f.idle && (f.Failed >= 0 || f.Settled >= 0 && f.Fate <= fate.RecordWrongLayout)
}

// cause is something that stood in the way and the parameter that it answers to.
type cause struct {
	weight time.Duration
	text   string
	lever  lever
}

// answers says what each cause answers to.
func (t *teller) answers() {
	causes := append(t.lossCauses(), t.waits()...)
	if len(causes) == 0 {
		return
	}
	t.heading("What it answers to")
	var seen []string
	for _, c := range causes {
		if slices.Contains(seen, c.lever.key+c.text) {
			continue
		}
		seen = append(seen, c.lever.key+c.text)
		t.paragraph("  - ", c.text+"; turn "+c.lever.String())
	}
	c := &t.e.Plan.Bridge.Repeat
	if t.lostInAir() > 0 {
		t.paragraph("  - ", "to lose fewer, send each broadcast more than once, for more time on the air; turn "+
			lever{"bridge.repeat.copies", fmt.Sprint(max(c.Copies, 1))}.String())
	}
	t.paragraph("  ", "Change one of them with --set KEY=VALUE and look again.")
}

// lostInAir counts the broadcasts that were lost between the bridge and the display.
func (t *teller) lostInAir() (n int) {
	for _, f := range t.flights() {
		if useless(f) && f.Settled >= 0 && (f.Fate == fate.RecordCollided || f.Fate == fate.RecordFaded || f.Fate == fate.RecordBitErrors) {
			n++
		}
	}
	return n
}

// lossCauses counts what was lost, by cause.
func (t *teller) lossCauses() []cause {
	e := t.e
	var records [fate.Records]int
	var frames [fate.Frames]int
	failed := 0
	for _, f := range t.flights() {
		switch {
		case !useless(f):
		case f.Failed >= 0:
			failed++
		default:
			records[f.Fate]++
		}
	}
	for _, l := range e.Lives {
		if len(l.Sendings) == 0 && l.Settled >= 0 {
			frames[l.Fate]++
		}
	}
	var causes []cause
	for f, n := range records {
		if n > 0 {
			causes = append(causes, cause{text: plural(n, "broadcast") + ", " + recordPhrases[f], lever: recordLever(e, fate.Record(f))})
		}
	}
	if failed > 0 {
		causes = append(causes, cause{text: plural(failed, "broadcast") + ", not sent: the radio channel did not become free", lever: leverOf(e.Plan, e.Receiver, *e.Shown, fate.StageAccess)})
	}
	for f, n := range frames {
		if n > 0 && fate.Frame(f) != fate.FrameSent && fate.Frame(f) != fate.FrameInsideAtEnd {
			causes = append(causes, cause{text: plural(n, "value") + ", " + framePhrases[f], lever: frameLever(e, fate.Frame(f))})
		}
	}
	return causes
}

// waits names the three longest waits: of the mean age then, or of the first value
// that came into the display's memory.
func (t *teller) waits() []cause {
	e := t.e
	var causes []cause
	note := func(stage fate.Stage, took time.Duration, mean string) {
		lever := leverOf(e.Plan, e.Receiver, *e.Shown, stage)
		if stage == fate.StageWire {
			lever = sourceLever(e.Plan, *e.Shown)
		}
		causes = append(causes, cause{took, fmt.Sprintf("%s%s, because %s", tenths(took), mean, stagePhrases[stage]), lever})
	}
	if ofAge(e) {
		for k, mean := range e.Terms {
			note(fate.Stage(k), mean, " of the age then")
		}
	} else if l := e.FirstTaken(); l != nil {
		note(fate.StageWire, e.Lives[0].Received-e.Origin, "")
		if s := l.Carried(); s != nil {
			note(fate.StageHold, s.Handed-max(l.Received, e.Origin), "")
			note(fate.StageReceiveQueue, s.Settled-s.Heard, "")
		}
		if !e.InMemory {
			note(fate.StageRedraw, e.Until-l.Taken, "")
		}
	}
	slices.SortStableFunc(causes, func(a, b cause) int { return cmp.Compare(b.weight, a.weight) })
	least := max(time.Millisecond, (e.Until-e.Origin)/10)
	causes = slices.DeleteFunc(causes, func(c cause) bool { return c.weight < least })
	return causes[:min(3, len(causes))]
}
