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
	Flags  bus.Flags
	Length int           // bytes of data
	Period time.Duration // between releases; 0 for a message that is only sent on events
	Offset time.Duration // first release, used when Phase is PhaseFixed
	Phase  Phase
	Jitter time.Duration // each release is late by a uniform draw from 0 to Jitter; below Period
	Drift  float64       // relative error of the node's clock, in parts per million: 50 = 50 ppm slow

	Node      string // sending node; "" = a node of its own
	Overwrite bool   // a new instance replaces a waiting one instead of queueing behind it

	Selector *signal.Selector // nil when the message has no pages
	Pages    []int            // values of the selector in the order sent, one a release
	Fields   []Field
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

// ValueKind names the law that a value follows in time.
type ValueKind uint8

// The laws.
const (
	Constant   ValueKind = iota // Low, always
	Ramp                        // Low to High in Every, then from Low again
	Sine                        // between Low and High, one turn in Every
	RandomWalk                  // steps of at most Step a release, kept between Low and High
	Square                      // High for Width, then Low, one turn in Every; Width 0 = Every/2
	Pulse                       // Low, and High for Width after Poisson instants with mean distance Every
	Counter                     // one more each release, modulo 2^Bits
	Checksum                    // an 8-bit sum over the other bytes of the message, modulo 2^Bits
)

// Value is the law of one signal, in physical units.
type Value struct {
	Kind      ValueKind
	Low, High float64
	Step      float64
	Every     time.Duration
	Width     time.Duration
}
