package bridge

import (
	"math"
	"math/bits"
	"time"
)

// bucket is a token bucket in whole numbers. A rate of p/q tokens in per
// nanoseconds fills it by exactly p units a nanosecond, where one token is q*per
// units; so no rounding ever adds up. It may be in debt: then nothing can be paid
// until the debt is gone.
type bucket struct {
	gain     int64 // units a nanosecond, p
	token    int64 // units of one token, q*per
	capacity int64
	level    int64 // at the instant at
	at       time.Duration
}

// mostUnits leaves room for debt and for one step beyond the capacity.
const mostUnits = 1 << 61

// newBucket returns a full bucket for tokens that come at rate in each per, which
// holds what burst saves up, or full tokens if burst is 0. It returns false if
// that is less than full, or if the numbers do not fit.
func newBucket(rate float64, per, burst time.Duration, full int64) (b bucket, ok bool) {
	tokens := max(float64(full), math.Ceil(rate*float64(burst)/float64(per)))
	most := mostUnits / float64(per) / tokens
	if !(most >= 1) {
		return b, false
	}
	p, q := fraction(rate, int64(min(most, 1e9)), mostUnits)
	if p == 0 {
		return b, false
	}
	b.gain, b.token = p, q*int64(per)
	b.capacity = full * b.token
	if burst > 0 {
		hi, lo := bits.Mul64(uint64(p), uint64(burst))
		if hi != 0 || lo > mostUnits+mostUnits/2 || int64(lo) < b.capacity {
			return b, false
		}
		b.capacity = int64(lo)
	}
	b.level = b.capacity
	return b, true
}

// fraction returns the first convergent p/q of the continued fraction of x that
// equals x as a float64, or the last one with p <= mostP and q <= mostQ: 0.1
// gives 1/10, the float64 next to 100/3 gives 100/3. It returns 0/1 if x is out
// of reach.
func fraction(x float64, mostQ, mostP int64) (p, q int64) {
	var beforeP, beforeQ int64 = 0, 1
	p, q = 1, 0
	for rest := x; ; {
		whole := math.Floor(rest)
		nextP, nextQ := whole*float64(p)+float64(beforeP), whole*float64(q)+float64(beforeQ)
		if nextP > float64(mostP) || nextQ > float64(mostQ) {
			break
		}
		a := int64(whole)
		p, q, beforeP, beforeQ = a*p+beforeP, a*q+beforeQ, p, q
		if rest == whole || float64(p)/float64(q) == x {
			break
		}
		rest = 1 / (rest - whole)
	}
	if q == 0 {
		return 0, 1
	}
	return p, q
}

// fill brings the level up to now.
func (b *bucket) fill(now time.Duration) {
	if dt := int64(now - b.at); dt > 0 {
		if dt > (b.capacity-b.level)/b.gain {
			b.level = b.capacity
		} else {
			b.level += dt * b.gain
		}
		b.at = now
	}
}

// ready returns the first instant from now on at which the bucket holds tokens.
func (b *bucket) ready(now time.Duration, tokens int64) time.Duration {
	b.fill(now)
	if lack := tokens*b.token - b.level; lack > 0 {
		return now + time.Duration((lack+b.gain-1)/b.gain)
	}
	return now
}

func (b *bucket) charge(now time.Duration, tokens int64) {
	b.fill(now)
	b.level -= tokens * b.token
}

func (b *bucket) refund(now time.Duration, tokens int64) {
	b.fill(now)
	b.level = min(b.level+tokens*b.token, b.capacity)
}
