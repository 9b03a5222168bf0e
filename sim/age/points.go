package age

import (
	"math"
	"math/bits"
	"time"
)

// A value v of v nanoseconds belongs to a bucket that is found from the place of
// its highest bit and the sub bits after it: log-linear buckets. Values below
// 2^sub have a bucket each; above, a bucket is at most 2^-sub of its values wide.
const (
	sub    = 7
	width  = 1 << sub // buckets in a row; a row is an octave, the first one holds 0..127
	octave = 64 - sub // rows that non-negative 64-bit values need

	// Buckets is how many buckets there are. Bucket i holds the values from
	// Edge(i) up to, not including, Edge(i+1).
	Buckets = octave * width
	// Row is how many buckets share one octave.
	Row = width
)

// Bucket returns the index of the bucket of v, which must not be negative.
func Bucket(v time.Duration) int {
	shift := bits.Len64(uint64(v)|width) - sub - 1
	return shift<<sub + int(uint64(v)>>shift)
}

// Edge returns the least value of bucket i. Edge(Buckets) is the largest value
// that a time.Duration can hold.
func Edge(i int) time.Duration {
	if i >= Buckets {
		return math.MaxInt64
	}
	return time.Duration(edge(i))
}

func edge(i int) uint64 {
	if i < width {
		return uint64(i)
	}
	shift := i>>sub - 1
	return uint64(i&(width-1)+width) << shift
}

// bin counts what fell into one bucket. The sum is taken above the bucket's
// edge, so that it stays small: 10^9 values of half an hour fit.
type bin struct{ n, above uint64 }

// Points is a distribution of values that count once each, such as latencies.
// The zero value is empty and ready. An octave takes 2 kB from its first value on.
type Points struct {
	rows  [octave]*[width]bin
	count uint64
	max   time.Duration
}

// Add records n values v. A negative v is wrong use.
func (p *Points) Add(v time.Duration, n uint64) {
	if v < 0 {
		panic("age: a value below 0")
	}
	if n == 0 {
		return
	}
	shift := bits.Len64(uint64(v)|width) - sub - 1
	i := shift<<sub + int(uint64(v)>>shift)
	row := p.rows[i>>sub]
	if row == nil {
		row = new([width]bin)
		p.rows[i>>sub] = row
	}
	b := &row[i&(width-1)]
	b.n += n
	b.above += n * (uint64(v) & (1<<shift - 1))
	p.count += n
	p.max = max(p.max, v)
}

// Merge adds all values of q.
func (p *Points) Merge(q *Points) {
	for r, from := range q.rows {
		if from == nil {
			continue
		}
		if p.rows[r] == nil {
			p.rows[r] = new([width]bin)
		}
		to := p.rows[r]
		for i := range from {
			to[i].n += from[i].n
			to[i].above += from[i].above
		}
	}
	p.count += q.count
	p.max = max(p.max, q.max)
}

// Reset empties p and keeps its memory.
func (p *Points) Reset() {
	for _, row := range p.rows {
		if row != nil {
			*row = [width]bin{}
		}
	}
	p.count, p.max = 0, 0
}

// Count returns how many values there are.
func (p *Points) Count() uint64 { return p.count }

// Max returns the largest value, 0 when there is none.
func (p *Points) Max() time.Duration { return p.max }

// Sum returns the sum of all values in nanoseconds.
func (p *Points) Sum() Int128 {
	var sum Int128
	for r, row := range p.rows {
		if row == nil {
			continue
		}
		for i, b := range row {
			hi, lo := bits.Mul64(b.n, edge(r<<sub+i))
			sum = sum.Add(Int128{Hi: int64(hi), Lo: lo}).Add(Int128{Lo: b.above})
		}
	}
	return sum
}

// Mean returns the mean value in nanoseconds, NaN when there is none.
func (p *Points) Mean() float64 { return p.Sum().Float64() / float64(p.count) }

// rows returns the range of octaves that hold anything, and false when none does.
func (p *Points) span() (low, high int, ok bool) {
	low, high = octave, -1
	for r, row := range p.rows {
		if row != nil {
			low, high = min(low, r), r
		}
	}
	return low, high, low <= high
}

// BucketMean returns the mean of the values in bucket i in nanoseconds, and
// false when it is empty.
func (p *Points) BucketMean(i int) (float64, bool) {
	row := p.rows[i>>sub]
	if row == nil || row[i&(width-1)].n == 0 {
		return 0, false
	}
	b := row[i&(width-1)]
	return float64(edge(i)) + float64(b.above)/float64(b.n), true
}

// Quantile returns the least value that at least the share level of the values
// does not exceed, as the mean of its bucket in nanoseconds: exact when the
// bucket holds one value only, otherwise within 1/128. NaN when p is empty.
func (p *Points) Quantile(level float64) float64 {
	low, high, ok := p.span()
	if !ok || p.count == 0 {
		return math.NaN()
	}
	// The slack keeps a level like 0.95 of 20 at 19 values whatever the rounding.
	wanted := level * float64(p.count) * (1 - 1e-12)
	var below uint64
	last := math.NaN()
	for i := low << sub; i < (high+1)<<sub; i++ {
		mean, ok := p.BucketMean(i)
		if !ok {
			continue
		}
		below += p.rows[i>>sub][i&(width-1)].n
		last = mean
		if float64(below) >= wanted {
			break
		}
	}
	return last
}

// Above calls f for the edges of all buckets from the lowest to the highest
// octave in use, downwards, with the number of values that are not below the
// edge. At all higher edges that number is 0, at all lower ones Count.
func (p *Points) Above(f func(bucket int, values uint64)) {
	low, high, ok := p.span()
	if !ok {
		return
	}
	var values uint64
	for i := (high+1)<<sub - 1; i >= low<<sub; i-- {
		if row := p.rows[i>>sub]; row != nil {
			values += row[i&(width-1)].n
		}
		f(i, values)
	}
}
