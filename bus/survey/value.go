package survey

import (
	"math"
	"math/bits"
	"time"

	"stalegauge/bus/signal"
)

// value is what one signal of one identifier does.
type value struct {
	seen     uint64 // frames that carry it
	outside  uint64 // beyond the limits of the database
	raw      uint64
	low      float64
	high     float64
	last     float64
	changes  uint64
	changeAt time.Duration // newest change
	settled  bool          // there was a change since the last gap
	shortest time.Duration // between two changes
	holds    histogram     // ns between changes
	moves    float64       // sum of the distances of changes
	longest  float64       // the longest of them
	step     uint64        // greatest common divisor of the distances in raw numbers
	begun    bool

	levels [2]level // the first two values met
	more   bool     // there were more
}

// level is one of the values of a signal that has two.
type level struct {
	raw   uint64
	value float64
	begun uint64        // times it was taken
	held  time.Duration // in stays that were seen whole
	stays uint64
	least time.Duration
}

// see takes in what a frame carries. gap says that the time since the frame
// before is unknown.
func (v *value) see(d *signal.Decoded, at time.Duration, gap bool) {
	v.seen++
	if d.Outside {
		v.outside++
	}
	if gap {
		v.settled = false
	}
	switch {
	case !v.begun:
		v.begun, v.low, v.high = true, d.Value, d.Value
		v.levels[0] = level{raw: d.Raw, value: d.Value}
	case d.Raw != v.raw:
		v.change(d, at)
	}
	v.raw, v.last = d.Raw, d.Value
}

func (v *value) change(d *signal.Decoded, at time.Duration) {
	v.changes++
	if number := d.Value == d.Value; number { // a floating point signal may carry none
		if !(v.low <= d.Value) {
			v.low = d.Value
		}
		if !(v.high >= d.Value) {
			v.high = d.Value
		}
	}
	if far := math.Abs(d.Value - v.last); far == far && !math.IsInf(far, 0) {
		v.moves += far
		v.longest = max(v.longest, far)
	}
	v.step = divisor(v.step, max(d.Raw, v.raw)-min(d.Raw, v.raw))
	hold := time.Duration(0)
	if v.settled {
		hold = at - v.changeAt
		v.holds.add(int64(hold))
		if v.shortest == 0 || hold < v.shortest {
			v.shortest = hold
		}
	}
	v.level(d, hold)
	v.changeAt, v.settled = at, true
}

// level follows a signal of two values.
func (v *value) level(d *signal.Decoded, hold time.Duration) {
	switch {
	case v.more:
		return
	case v.changes == 1:
		v.levels[1] = level{raw: d.Raw, value: d.Value}
	case d.Raw != v.levels[0].raw && d.Raw != v.levels[1].raw:
		v.more = true
		return
	}
	to, from := 0, 1
	if d.Raw == v.levels[1].raw {
		to, from = 1, 0
	}
	v.levels[to].begun++
	if hold > 0 {
		l := &v.levels[from]
		l.held += hold
		l.stays++
		if l.least == 0 || hold < l.least {
			l.least = hold
		}
	}
}

// divisor returns the greatest common divisor (Stein 1967); of 0 and x it is x.
func divisor(a, b uint64) uint64 {
	if a == 0 || b == 0 || a == 1 {
		return a | b
	}
	shift := bits.TrailingZeros64(a | b)
	a >>= bits.TrailingZeros64(a)
	for b != 0 {
		b >>= bits.TrailingZeros64(b)
		if a > b {
			a, b = b, a
		}
		b -= a
	}
	return a << shift
}
