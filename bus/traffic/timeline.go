package traffic

import "time"

// Episode is one part of the timeline. It lasts from At until the next one
// begins; before the first the bus is awake. While the bus is asleep nothing is
// released; what waits when it falls asleep is still sent. When it wakes, the
// phases of all messages begin anew. Between two episodes that are both awake
// nothing happens.
type Episode struct {
	Name   string
	At     time.Duration
	Asleep bool
	Storm  *Storm // nil = none
}

// Storm is a message sent over and over, whether the bus sleeps or not. It
// takes the place of the message's own releases, which begin anew afterwards.
// An instance that still waits is replaced by the next, so that a storm leaves
// nothing behind; replaced instances count as overwritten.
type Storm struct {
	Message int     // index in the message set
	Rate    float64 // releases a second; 0 = back to back: one is ready each time the bus is free
}

// span is a part of the timeline in which a message keeps one release law.
type span struct {
	from, to time.Duration
	storm    float64 // releases a second; 0 = the message's own law
}

// endOfTime is when the last span ends, in 146 years. It leaves room for any sum
// of an instant with a few of the longest times that a set takes.
const endOfTime = time.Duration(1) << 62

// spansOf returns the spans in which a message is released, in order. The rate
// is what a storm back to back amounts to.
func spansOf(message int, timeline []Episode, backToBack float64) []span {
	var spans []span
	add := func(from, to time.Duration, storm float64) {
		if n := len(spans); n > 0 && spans[n-1].to == from && spans[n-1].storm == 0 && storm == 0 {
			spans[n-1].to = to
			return
		}
		spans = append(spans, span{from, to, storm})
	}
	if len(timeline) == 0 || timeline[0].At > 0 {
		to := endOfTime
		if len(timeline) > 0 {
			to = timeline[0].At
		}
		add(0, to, 0)
	}
	for i, e := range timeline {
		to := endOfTime
		if i+1 < len(timeline) {
			to = timeline[i+1].At
		}
		switch {
		case e.Storm != nil && e.Storm.Message == message && e.Storm.Rate == 0:
			add(e.At, to, backToBack)
		case e.Storm != nil && e.Storm.Message == message:
			add(e.At, to, e.Storm.Rate)
		case !e.Asleep:
			add(e.At, to, 0)
		}
	}
	return spans
}
