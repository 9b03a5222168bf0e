package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/sim/explain"
)

// flight is one broadcast with the values in it that matter.
type flight struct {
	explain.Sending
	lives []*explain.Life
	taken bool // it brought a newer value into the display's memory
	idle  bool // the display had all of it already
}

// at is the instant under which the broadcast is told.
func (f *flight) at() time.Duration {
	switch {
	case f.Begun >= 0:
		return f.Begun
	case f.Failed >= 0:
		return f.Failed
	}
	return f.Handed
}

// flights lists the broadcasts with values that matter in the order in which they
// were handed over.
func (t *teller) flights() []*flight {
	type key struct {
		broadcast uint32
		copy      int
	}
	var all []*flight
	found := map[key]*flight{}
	lives := t.e.Lives
	if t.e.Before != nil {
		lives = append([]*explain.Life{t.e.Before}, lives...)
	}
	for _, l := range lives {
		for _, s := range l.Sendings {
			f := found[key{s.Broadcast, s.Copy}]
			if f == nil {
				f = &flight{Sending: s}
				found[key{s.Broadcast, s.Copy}] = f
				all = append(all, f)
			}
			f.lives = append(f.lives, l)
			if s.Settled >= 0 && s.Fate == fate.RecordTaken {
				f.taken, f.Sending = true, s
			}
		}
	}
	for _, f := range all {
		had := func(l *explain.Life) bool { return l.Taken >= 0 && l.Taken < f.at() }
		f.idle = !f.taken && !slices.ContainsFunc(f.lives, func(l *explain.Life) bool { return !had(l) })
	}
	slices.SortStableFunc(all, func(a, b *flight) int { return cmp.Compare(a.Handed, b.Handed) })
	return all
}

// flightStep tells what became of a broadcast.
func (t *teller) flightStep(f *flight) step {
	s := step{at: f.at(), text: fmt.Sprintf("Broadcast %d", f.Broadcast)}
	if f.Copy > 0 {
		s.text += fmt.Sprintf(", sent again (%d)", f.Copy)
	}
	s.text += " with " + t.values(f.lives)
	switch {
	case f.Failed >= 0:
		s.text += " is not sent: the radio channel did not become free."
		s.kind = "broadcasts not sent, no free channel"
	case f.Begun < 0:
		s.text += " waits for a free radio channel."
		s.kind = "broadcasts waiting"
	case f.taken:
		s.text += fmt.Sprintf(" goes out and is heard; in the display's memory at %.1f ms.", t.since(f.Settled))
		s.kind = "broadcasts heard"
	case f.Settled < 0 && f.Heard >= 0:
		s.text += " goes out and is heard; the display has not read it yet."
		s.kind = "broadcasts heard, not read yet"
	case f.Settled < 0:
		s.text += " goes out; it is still on the air."
		s.kind = "broadcasts on the air"
	default:
		s.text += " goes out; " + recordPhrases[f.Fate] + "."
		s.kind = "broadcasts " + recordPhrases[f.Fate]
	}
	return s
}

// leg is a part of a value's way.
type leg struct {
	text string
	took time.Duration
}

// legs splits the way of a value from its source to where it counts. They sum to
// the time it took.
func (t *teller) legs(l *explain.Life, until time.Duration) []leg {
	var legs []leg
	at := l.ValidAt
	add := func(to time.Duration, text string) {
		if to > at {
			legs = append(legs, leg{text, to - at})
			at = to
		}
	}
	add(l.Received, "on the bus")
	add(l.Passed[fate.StageBusQueue], "until the bridge had read it")
	s := l.Carried()
	if s != nil {
		add(min(l.Passed[fate.StageHold], s.Handed), "until its broadcast was made up")
		add(s.Handed, "until that was sent")
		add(s.Begun, "until the channel was free")
		add(s.Heard, "on the air")
		add(s.Handling, "until the display had time for it")
		add(s.Settled, "to read it")
	}
	add(until, "until it was drawn")
	return legs
}

// way tells the longer parts of a value's way.
func (t *teller) way(l *explain.Life, until time.Duration) string {
	var said []string
	var rest time.Duration
	for _, part := range t.legs(l, until) {
		if part.took < 500*time.Microsecond {
			rest += part.took
			continue
		}
		said = append(said, tenths(part.took)+" "+part.text)
	}
	if rest >= 50*time.Microsecond {
		said = append(said, tenths(rest)+" for the rest")
	}
	return strings.Join(said, ", ")
}
