package traffic

import (
	"math"
	"time"
)

// ValueKind names the law that a value follows in time.
type ValueKind uint8

// The laws. Those with a turn begin one at instant 0.
const (
	Constant   ValueKind = iota // Low, always
	Ramp                        // Low to High in Every, then from Low again
	Sine                        // between Low and High, one turn in Every
	RandomWalk                  // steps uniform within +-Step, one a release, reflected at Low and High; starts uniform between them, which is its stationary law
	Square                      // High for Width, then Low, one turn in Every; Width 0 = Every/2
	Pulse                       // Low, and High for Width after Poisson instants with mean distance Every; one that begins inside another prolongs it
	Counter                     // raw value: the number of the release, from 0, modulo 2^Bits
	Checksum                    // raw value: the sum of the message's bytes without those that the field touches, modulo 256 and 2^Bits
)

// Value is the law of one signal, in physical units.
type Value struct {
	Kind      ValueKind
	Low, High float64
	Step      float64
	Every     time.Duration
	Width     time.Duration
}

// never is an instant that does not come.
const never = time.Duration(math.MaxInt64)

// Curve is one value as it runs in time. A curve is read forwards: the instants
// and release numbers asked for never go back. Copies of a curve are
// independent of each other and run alike.
type Curve struct {
	value         Value
	width         time.Duration // of Square and Pulse, worked out
	mask          uint64        // bits of a Counter
	scale, offset float64       // of a Counter

	dice   dice
	last   time.Duration // Pulse: newest instant seen
	next   time.Duration // Pulse: the instant after that
	number int64         // RandomWalk: release that walk belongs to
	walk   float64
}

// newCurve starts a curve with random numbers that follow from key alone.
func newCurve(field Field, key uint64) Curve {
	d := &field.Signal
	c := Curve{
		value: field.Value, width: field.Value.Width, dice: dice(key),
		mask: 1<<d.Bits - 1, scale: d.Scale, offset: d.Offset,
	}
	switch c.value.Kind {
	case Square:
		if c.width == 0 {
			c.width = c.value.Every / 2
		}
	case Pulse:
		// Instants before 0 can still be felt at 0, but none before -width.
		c.last = -2 * c.width
		c.next = -c.width + c.dice.exponential(c.value.Every)
	case RandomWalk:
		c.walk = c.value.Low + c.dice.float()*(c.value.High-c.value.Low)
	}
	return c
}

// At returns the value in physical units at an instant, before rounding to the
// signal's bits. number is the number of the release that carries it, from 0;
// RandomWalk and Counter go by it and the other laws do not. The value of a
// Checksum depends on bytes elsewhere: it is NaN.
func (c *Curve) At(at time.Duration, number int64) float64 {
	v := &c.value
	switch v.Kind {
	case Constant:
		return v.Low
	case Ramp:
		return v.Low + (v.High-v.Low)*float64(at%v.Every)/float64(v.Every)
	case Sine:
		turn := 2 * math.Pi * float64(at%v.Every) / float64(v.Every)
		return (v.Low+v.High)/2 + (v.High-v.Low)/2*math.Sin(turn)
	case RandomWalk:
		for ; c.number < number; c.number++ {
			c.step()
		}
		return c.walk
	case Square:
		if at%v.Every < c.width {
			return v.High
		}
		return v.Low
	case Pulse:
		c.pass(at)
		if at-c.last < c.width {
			return v.High
		}
		return v.Low
	case Counter:
		return float64(uint64(number)&c.mask)*c.scale + c.offset
	}
	return math.NaN()
}

// step moves the walk by one release. A step is at most High-Low, so one
// reflection brings it back.
func (c *Curve) step() {
	v := &c.value
	c.walk += (2*c.dice.float() - 1) * v.Step
	if c.walk > v.High {
		c.walk = 2*v.High - c.walk
	} else if c.walk < v.Low {
		c.walk = 2*v.Low - c.walk
	}
}

// pass moves a Pulse to the newest instant not after at.
func (c *Curve) pass(at time.Duration) {
	for c.next <= at {
		c.last = c.next
		c.next += c.dice.exponential(c.value.Every)
	}
}

// NextChange returns the first instant later than after at which a Square or
// Pulse changes. Other laws have no such instants: math.MaxInt64.
func (c *Curve) NextChange(after time.Duration) time.Duration {
	switch c.value.Kind {
	case Square:
		begin := after - after%c.value.Every
		if at := begin + c.width; at > after {
			return at
		}
		return begin + c.value.Every
	case Pulse:
		c.pass(after)
		if end := c.last + c.width; end > after {
			// High: it ends a width after the first instant that no other follows in time.
			for c.next <= c.last+c.width {
				c.last = c.next
				c.next += c.dice.exponential(c.value.Every)
			}
			return c.last + c.width
		}
		return c.next
	}
	return never
}
