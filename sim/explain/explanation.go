package explain

import (
	"time"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// Explanation is how the worst came about. All instants count from the start of
// the run; one that never came is negative.
type Explanation struct {
	Worst
	Plan     *scenarios.Plan
	Receiver *scenarios.Receiver
	Shown    *scenarios.Shown
	InMemory bool // the limit counts in the display's memory, not at its glass

	// Origin is where the story begins: when the value was valid that grew so old,
	// the value changed, or the display was switched on.
	Origin      time.Duration
	From, Until time.Duration   // of the time over the limit; else from the origin to the end
	Ended       bool            // a value ended it; else a gap of the traffic or the end of the run
	Before      *Life           // the value that grew old; nil for changes and starts
	Lives       []*Life         // of the values that could have ended it, in order of the bus
	LeftOut     int             // how many more there were
	Draws       []time.Duration // when redraws began meanwhile; the first of very many
	Ender       *Life           // the one that did; nil when none did
	Again       time.Duration   // Lost: when the bus carried another value; negative: never
	AtEnd       bool            // the story ends with the run
	Later       time.Duration   // Lost: valid-time of the later value that was shown instead

	Between          int           // values in the same place meanwhile that did not end it
	Youngest, Oldest time.Duration // their ages when they came there

	// Terms is the mean age between From and Until, by stage; the source is part
	// of the wire. For ages only.
	Terms [fate.Stages]time.Duration

	before, ender value
}

// Life is what became of one value until the story ends.
type Life struct {
	Frame    uint64
	ValidAt  time.Duration
	Received time.Duration              // on the bus
	Passed   [fate.Stages]time.Duration // from pick-up to rate limit
	Settled  time.Duration              // its fate in the bridge
	Fate     fate.Frame                 // counts when Settled does
	Sendings []Sending                  // every broadcast with it
	Taken    time.Duration              // into the memory of the display
	Glass    time.Duration              // shown
}

// Sending is one broadcast with a value on its way to the display.
type Sending struct {
	Broadcast uint32
	Copy      int
	Handed    time.Duration // to the medium
	Begun     time.Duration // on the air
	Ended     time.Duration // off the air, or the first packet of several
	Failed    time.Duration // the medium never became free
	Heard     time.Duration // by the display
	Handling  time.Duration // by the display's processor
	Settled   time.Duration // the fate of the value
	Fate      fate.Record   // counts when Settled does
}

const never = time.Duration(-1)

func newLife(frame uint64, validAt, received time.Duration) *Life {
	l := &Life{Frame: frame, ValidAt: validAt, Received: received, Settled: never, Taken: never, Glass: never}
	for k := range l.Passed {
		l.Passed[k] = never
	}
	return l
}

// sending returns the latest sending of a broadcast, nil when there was none.
func (l *Life) sending(broadcast uint32, copy int) *Sending {
	for i := len(l.Sendings) - 1; i >= 0; i-- {
		if s := &l.Sendings[i]; s.Broadcast == broadcast && s.Copy == copy {
			return s
		}
	}
	return nil
}

// Carried returns the sending that brought the value into the display's memory,
// nil when none did.
func (l *Life) Carried() *Sending {
	for i := range l.Sendings {
		if s := &l.Sendings[i]; s.Settled >= 0 && s.Fate == fate.RecordTaken {
			return s
		}
	}
	return nil
}

// FirstTaken returns the first of the values that could have ended it that came
// into the display's memory, nil when none did.
func (e *Explanation) FirstTaken() *Life {
	var first *Life
	for _, l := range e.Lives {
		if l.Taken >= 0 && (first == nil || l.Taken < first.Taken) {
			first = l
		}
	}
	return first
}
