package reports

import (
	"strings"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/explain"
)

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

// ofAge reports whether the explanation is about an age.
func ofAge(e *explain.Explanation) bool {
	return e.Kind == explain.Violation || e.Kind == explain.Oldest
}

// ofStart reports whether it is about a start.
func ofStart(e *explain.Explanation) bool {
	return e.Shown.Limit != nil && e.Shown.Limit.Of == scenarios.OfFirstPicture || e.Kind == explain.Dark
}
