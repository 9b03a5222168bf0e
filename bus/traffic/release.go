package traffic

import (
	"math"
	"time"
)

// clock ticks at a fixed distance that need not be a whole number of
// nanoseconds: the fraction is carried along, so that no error builds up.
type clock struct {
	tick         time.Duration
	step         time.Duration
	fraction     uint32 // of tick, in 2^-32 ns, and half a nanosecond
	stepFraction uint32
}

// half a nanosecond, so that instants are rounded to the nearest.
const half = 1 << 31

// newClock returns a clock of a distance in nanoseconds.
func newClock(step float64) clock {
	whole := math.Floor(step)
	fraction := uint64(math.Round((step - whole) * (1 << 32)))
	return clock{step: time.Duration(whole) + time.Duration(fraction>>32), fraction: half, stepFraction: uint32(fraction)}
}

// advance moves to the next tick.
func (c *clock) advance() {
	sum := uint64(c.fraction) + uint64(c.stepFraction)
	c.fraction = uint32(sum)
	c.tick += c.step + time.Duration(sum>>32)
}

// cyclic is the release law of a clock with jitter.
type cyclic struct {
	clock
	jitter uint64 // draws are from 0 to jitter-1; 0 or 1 = none
	dice   dice
}

// take returns the release of the present tick and moves to the next. Jitter is
// below the step, so releases keep the order of their ticks.
func (c *cyclic) take() time.Duration {
	at := c.tick
	if c.jitter > 1 {
		at += time.Duration(c.dice.below(c.jitter))
	}
	c.advance()
	return at
}

// begin places the first release at or after from. A random phase is uniform
// over one step; the tick before it may still be late enough to be released,
// without which the first step would hold too few releases.
func (c *cyclic) begin(from time.Duration, phase Phase, offset time.Duration) time.Duration {
	c.fraction = half
	if phase == PhaseFixed {
		c.tick = from + offset
		return c.take()
	}
	c.tick = from + time.Duration(c.dice.below(uint64(c.step))) - c.step
	for {
		if at := c.take(); at >= from {
			return at
		}
	}
}

// releases is the release law of one message: an endless sequence of instants,
// each later than the one before. A copy made by copyFrom runs on alike.
type releases struct {
	at    time.Duration // of the next release; never = no more
	to    time.Duration // end of the present span
	storm bool          // the present span is a storm

	own    cyclic  // the message's clock; step 0 = none
	blow   clock   // the storm's clock
	events *events // nil = none

	phase  Phase
	offset time.Duration
	spans  []span // those to come; shared by copies, never written
}

// copyFrom makes r run on from where o is.
func (r *releases) copyFrom(o *releases) {
	mine := r.events
	*r = *o
	if o.events != nil {
		r.events = mine
		r.events.copyFrom(o.events)
	}
}

// advance moves to the next release.
func (r *releases) advance() {
	switch {
	case r.storm:
		r.blow.advance()
		r.at = r.blow.tick
	case r.events != nil:
		r.at = r.events.take(&r.own)
	default:
		r.at = r.own.take()
	}
	if r.at >= r.to {
		r.enter()
	}
}

// enter goes to the first release of the spans to come.
func (r *releases) enter() {
	r.at = never
	for len(r.spans) > 0 && r.at == never {
		s := r.spans[0]
		r.spans = r.spans[1:]
		r.to, r.storm = s.to, s.storm > 0
		switch {
		case r.storm:
			r.blow = newClock(float64(time.Second) / s.storm)
			r.blow.tick = s.from
			r.at = s.from
		case r.events != nil:
			r.at = r.events.begin(s.from, r)
		case r.own.step > 0:
			r.at = r.own.begin(s.from, r.phase, r.offset)
		}
		if r.at >= r.to {
			r.at = never
		}
	}
	if r.at == never {
		r.to = 0 // an advance past the end stays at the end
	}
}
