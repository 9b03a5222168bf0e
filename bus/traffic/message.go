package traffic

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// Message is one message of a message set: who sends it, when, and what it
// carries.
type Message struct {
	Name   string
	ID     bus.ID
	Remote bool // a remote frame: asks for Length bytes and carries none
	Flags  bus.Flags
	Length int           // bytes of data
	Period time.Duration // between releases; 0 for a message that is only sent on events or in a storm
	Offset time.Duration // first release after the bus is awake, used when Phase is PhaseFixed
	Phase  Phase
	Jitter time.Duration // each periodic release is late by a uniform draw from 0 to Jitter; below Period
	Drift  float64       // relative error of the node's clock, in parts per million: 50 = 50 ppm slow; the same for all messages of a node

	Node      string // sending node; "" = a node of its own
	Overwrite bool   // a new instance replaces a waiting one instead of queueing behind it

	Selector *signal.Selector // nil when the message has no pages
	Pages    []int            // values of the selector in the order sent, one a release
	Fields   []Field          // bits of no field are 0; a message without fields has fixed bytes that follow from its identifier

	Events *Events // nil for a message that is only sent every Period
}

// Phase says when a periodic message is first released.
type Phase uint8

// The phases.
const (
	PhaseRandom Phase = iota // uniform over one period: the stationary law
	PhaseFixed               // at Offset
)

// Field is a signal of a message with the law its value follows.
type Field struct {
	Signal signal.Definition
	Value  Value
}

// Events are the releases of a message that do not follow a clock. They come
// on top of those of [Message].Period. A release, whatever its reason, carries
// the values of its instant and so serves every event up to then.
type Events struct {
	// OnChange lists fields, as indexes into [Message].Fields, whose changes
	// are released at the instant of the change. Their laws must be Square or
	// Pulse. Changes while the bus sleeps are not made up for.
	OnChange []int

	Every   time.Duration // mean distance of events at Poisson instants; 0 = none
	Group   int           // releases for each of those events; 0 or 1 = one
	Spacing time.Duration // between the releases of a group

	// MinGap is the shortest time from any release of the message to one on
	// an event. What happens sooner waits; several events that wait become
	// one release with the newest values.
	MinGap time.Duration

	// Heartbeat is the longest time between two releases: it starts anew with
	// each of them. 0 = none. A heartbeat that runs freely is a Period. The
	// first is due as Phase says, with Heartbeat in the place of Period.
	Heartbeat time.Duration
}
