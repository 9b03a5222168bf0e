package age

import (
	"math"
	"time"
)

// Teeth is the distribution of a sawtooth weighted by time. A tooth that rises
// from a to b spends the same time at each age between, so the time above x is
// the sum of (b-x)+ less the sum of (a-x)+, and only the starts and ends of the
// teeth need recording: recording one costs the same whatever its length.
// (Inoue, Masuyama, Takine, Tanaka, IEEE Transactions on Information Theory
// 65(12), 2019: the density of the age is the difference of the distribution
// functions of delays and peaks.)
//
// Teeth is a view on the starts and ends that a [Track] or a test has counted;
// it owns nothing.
type Teeth struct {
	Starts, Ends []*Points
}

// Total returns the whole time.
func (t Teeth) Total() time.Duration {
	var total time.Duration
	t.Above(func(bucket int, above time.Duration) { total = above })
	return total
}

// Max returns the largest age.
func (t Teeth) Max() time.Duration {
	var most time.Duration
	for _, e := range t.Ends {
		most = max(most, e.max)
	}
	return most
}

// Above calls f for the edges of all buckets from the lowest to the highest
// octave in use, downwards, with the exact time spent above the edge. At all
// higher edges that time is 0, at all lower ones it is the whole time.
func (t Teeth) Above(f func(bucket int, above time.Duration)) {
	low, high := octave, -1
	for _, side := range [...][]*Points{t.Starts, t.Ends} {
		for _, p := range side {
			if l, h, ok := p.span(); ok {
				low, high = min(low, l), max(high, h)
			}
		}
	}
	// covering is how many teeth reach over the edge of bucket i+1. Both
	// counters may wrap around on the way; the time itself fits.
	var covering, above uint64
	starts, ends := make([]*[width]bin, 0, 4), make([]*[width]bin, 0, 4)
	for r := high; r >= low; r-- {
		wide := edge(r<<sub+1) - edge(r<<sub)
		starts, ends = used(starts, t.Starts, r), used(ends, t.Ends, r)
		for i := width - 1; i >= 0; i-- {
			above += covering * wide
			for _, row := range ends {
				above += row[i].above
				covering += row[i].n
			}
			for _, row := range starts {
				above -= row[i].above
				covering -= row[i].n
			}
			f(r<<sub+i, time.Duration(above))
		}
	}
}

// used collects the rows of octave r that hold anything.
func used(into []*[width]bin, points []*Points, r int) []*[width]bin {
	into = into[:0]
	for _, p := range points {
		if row := p.rows[r]; row != nil {
			into = append(into, row)
		}
	}
	return into
}

// Quantile returns the least age, in nanoseconds, that is not exceeded during
// the share level of the time. It is exact at the edges of the buckets, linear
// between. NaN when there is no time.
func (t Teeth) Quantile(level float64) float64 {
	return quantile(t.Above, t.Total(), t.Max(), level)
}

// quantile finds the age from a walk over the edges, downwards.
func quantile(walk func(func(bucket int, above time.Duration)), total, most time.Duration, level float64) float64 {
	wanted := (1 - level) * float64(total)
	value, upper := math.NaN(), 0.0 // upper is the time above the edge of the bucket above
	walk(func(bucket int, above time.Duration) {
		// The last bucket downwards that still ends at or under the wanted time
		// and begins at or over it is where the time above falls to it first.
		if over := float64(above); over > upper && upper <= wanted && wanted <= over {
			value = Between(bucket, over, upper, wanted)
		}
		upper = float64(above)
	})
	return math.Min(value, float64(most))
}

// Between returns the value inside a bucket at which a quantity that falls
// linearly from over at its edge to under at the next edge is wanted.
func Between(bucket int, over, under, wanted float64) float64 {
	low, high := float64(edge(bucket)), float64(edge(bucket+1))
	return low + (high-low)*(over-wanted)/(over-under)
}
