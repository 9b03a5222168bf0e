package traffic

import (
	"math"
	"math/bits"
	"time"
)

// dice is the SplitMix64 generator (Steele, Lea, Flood: "Fast splittable
// pseudorandom number generators", OOPSLA 2014). Its whole state is one number,
// so that a release law can be copied and run again from any point: that is how
// a queue of any length is kept in constant memory.
type dice uint64

// next returns 64 random bits.
func (d *dice) next() uint64 {
	*d += 0x9e3779b97f4a7c15
	x := uint64(*d)
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// below returns a whole number from 0 to n-1. Its bias is under n/2^64.
func (d *dice) below(n uint64) uint64 {
	high, _ := bits.Mul64(d.next(), n)
	return high
}

// float returns a number in [0, 1).
func (d *dice) float() float64 { return float64(d.next()>>11) * 0x1p-53 }

// exponential returns a draw of the exponential law with the mean given, by
// inversion of its distribution function.
func (d *dice) exponential(mean time.Duration) time.Duration {
	return time.Duration(-math.Log1p(-d.float()) * float64(mean))
}

// geometric returns how many trials fail before the first success when one
// succeeds with probability p, 0 < p < 1, by inversion.
func (d *dice) geometric(p float64) uint64 {
	trials := math.Log1p(-d.float()) / math.Log1p(-p)
	if trials >= 1<<62 {
		return 1 << 62
	}
	return uint64(trials)
}
