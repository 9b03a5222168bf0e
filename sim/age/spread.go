package age

import (
	"math"
	"time"
)

// Spread is the distribution of an age weighted by time, pooled from closed
// tracks. It holds what mean, quantiles and the share over the limit need and no
// more: the starts of the teeth are taken from their ends, bucket by bucket, so
// that a spread is a fifth of a track and one can be taken out of another exactly.
// The zero value is empty and ready. An octave takes 2 kB from its first age on.
type Spread struct {
	rows     [octave]*[width]bin // ends less starts; both counters may wrap around
	observed time.Duration
	over     time.Duration
	twice    Int128
	max      time.Duration
}

// Add adds what a track has measured. An open track is wrong use.
func (s *Spread) Add(t *Track) {
	if t.open {
		panic("age: Add of an open track")
	}
	for _, p := range [...]*Points{&t.peaks, &t.closed} {
		s.points(p, 1)
		s.max = max(s.max, p.max)
	}
	s.points(&t.opened, ^uint64(0))
	s.points(&t.latencies, ^uint64(0))
	s.observed += t.observed
	s.over += t.over.total
	s.twice = s.twice.Add(t.twice)
}

// points adds a distribution so many times, modulo 2^64.
func (s *Spread) points(p *Points, times uint64) {
	for r, from := range p.rows {
		if from != nil {
			s.row(r, from, times)
		}
	}
}

func (s *Spread) row(r int, from *[width]bin, times uint64) {
	if s.rows[r] == nil {
		s.rows[r] = new([width]bin)
	}
	to := s.rows[r]
	for i := range from {
		to[i].n += times * from[i].n
		to[i].above += times * from[i].above
	}
}

// merge adds u so many times, modulo 2^64, and leaves the largest age alone.
func (s *Spread) merge(u *Spread, times uint64) {
	for r, from := range u.rows {
		if from != nil {
			s.row(r, from, times)
		}
	}
	s.observed += time.Duration(times) * u.observed
	s.over += time.Duration(times) * u.over
	if times == 1 {
		s.twice = s.twice.Add(u.twice)
	} else {
		s.twice = s.twice.Sub(u.twice)
	}
}

// LeaveOneOut calls whole with all spreads together and then rest, for each
// spread in turn, with all the others. Its cost grows as their number, not as its
// square. What is handed over is valid during the call only.
func LeaveOneOut(spreads []*Spread, whole func(all *Spread), rest func(i int, others *Spread)) {
	var all Spread
	for _, s := range spreads {
		all.merge(s, 1)
		all.max = max(all.max, s.max)
	}
	whole(&all)
	most, second := 0, time.Duration(0) // the spread with the largest age, and the largest of the others
	for i, s := range spreads {
		switch {
		case s.max > spreads[most].max:
			most, second = i, spreads[most].max
		case i != most:
			second = max(second, s.max)
		}
	}
	for i, s := range spreads {
		all.merge(s, ^uint64(0))
		all.max = spreads[most].max
		if i == most {
			all.max = second
		}
		rest(i, &all)
		all.merge(s, 1)
	}
}

// Observed returns for how long the tracks were open.
func (s *Spread) Observed() time.Duration { return s.observed }

// OverLimit returns the exact time with an age above the limit of the tracks.
func (s *Spread) OverLimit() time.Duration { return s.over }

// Mean returns the mean age over time in nanoseconds, NaN when there was no time.
func (s *Spread) Mean() float64 {
	if s.observed == 0 {
		return math.NaN()
	}
	return s.twice.Float64() / 2 / float64(s.observed)
}

// Quantile returns the least age, in nanoseconds, that is not exceeded during the
// share level of the time, as [Teeth.Quantile] does.
func (s *Spread) Quantile(level float64) float64 {
	return quantile(s.above, s.observed, s.max, level)
}

// above is [Teeth.Above] of what is left of starts and ends.
func (s *Spread) above(f func(bucket int, above time.Duration)) {
	var covering, above uint64
	for r := octave - 1; r >= 0; r-- {
		row := s.rows[r]
		if row == nil && covering == 0 {
			continue // above all ages, or below all of them
		}
		wide := edge(r<<sub+1) - edge(r<<sub)
		for i := width - 1; i >= 0; i-- {
			above += covering * wide
			if row != nil {
				above += row[i].above
				covering += row[i].n
			}
			f(r<<sub+i, time.Duration(above))
		}
	}
}
