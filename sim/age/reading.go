package age

import (
	"math/bits"
	"time"
)

// Reading is what a track has measured up to an instant.
type Reading struct {
	Observed   time.Duration // time with a known value
	OverLimit  time.Duration // of it, with an age above the limit
	Violations uint64
	TwiceArea  Int128 // twice the integral of the age, square nanoseconds
}

// Read returns what the track has measured up to now, the tooth under way
// included: a value that is never refreshed gains age and time over its limit at
// every look. The track is not changed. To read an open track before its last
// instant is wrong use; of a closed one now means nothing.
func (t *Track) Read(now time.Duration) Reading {
	upTo := *t // shares the distributions, which are not touched
	if t.open {
		upTo.check(now, t.validAt)
		upTo.endTooth(now)
	}
	return Reading{Observed: upTo.observed, OverLimit: upTo.over.total, Violations: upTo.over.violations, TwiceArea: upTo.twice}
}

// Updated returns the instant of the last update, that of the opening where there
// was none since, and false when the track was never open.
func (t *Track) Updated() (at time.Duration, ok bool) { return t.last, t.opened.count > 0 }

// Within appends to into, for each of the ascending bounds, the time up to now
// during which the age was at most that much. It is exact at the edges of the
// buckets and linear between, and never falls from one look to a later one. now
// as in Read.
func (t *Track) Within(now time.Duration, bounds, into []time.Duration) []time.Duration {
	ages, total := t.Ages(), t.Read(now).Observed
	if t.open {
		var present Points
		present.Add(now-t.validAt, 1)
		ages.Ends = append(ages.Ends, &present)
	}
	counts := within(bounds, 0, uint64(total), func(f func(bucket int, above uint64)) {
		ages.Above(func(bucket int, above time.Duration) { f(bucket, uint64(above)) })
	})
	for _, n := range counts {
		into = append(into, time.Duration(n))
	}
	return into
}

// Within returns, for each of the ascending bounds, how many values are at most
// that much: exact at the edges of the buckets, linear and rounded down between.
func (p *Points) Within(bounds []time.Duration) []uint64 {
	return within(bounds, 1, p.count, p.Above)
}

// within reads off what lies at or below each bound. above walks the edges of the
// buckets downwards with what lies above them; outside its walk that is 0 at the
// higher edges and total at the lower ones. inclusive is 1 where values lie on whole
// nanoseconds, so that one on the bound counts, and 0 where they are spread evenly.
func within(bounds []time.Duration, inclusive, total uint64, above func(f func(bucket int, above uint64))) []uint64 {
	out := make([]uint64, len(bounds))
	next := len(bounds) - 1 // the highest bound that is still to be met
	last := uint64(0)       // above the edge of the bucket above
	above(func(bucket int, n uint64) {
		for ; next >= 0 && bounds[next] >= Edge(bucket); next-- {
			low, high := total-n, total-last
			whole := uint64(Edge(bucket+1) - Edge(bucket))
			part := min(uint64(bounds[next]-Edge(bucket))+inclusive, whole) // beyond the highest bucket: all
			hi, lo := bits.Mul64(high-low, part)
			share, _ := bits.Div64(hi, lo, whole)
			out[next] = low + share
		}
		last = n
	})
	return out
}
