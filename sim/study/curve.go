package study

import (
	"math"
	"time"

	"stalegauge/sim/age"
)

const second = 1e9 // nanoseconds

// curve keeps, for each edge of the buckets of a distribution, what the interval
// of the share above that edge needs over all replications. y is the time (or the
// number of values) above the edge in one replication and x all of it; the sums of
// y are in the pooled histogram. Its memory does not grow with the replications.
type curve struct {
	n     int // replications that saw anything
	x, xx float64
	rows  [age.Buckets / age.Row]*[age.Row]squares
	below [age.Buckets / age.Row]float64 // sum of x squared of the replications whose values all lie above the row
}

type squares struct{ yy, xy float64 }

// above walks the edges of a histogram downwards with what lies above each.
type above func(f func(bucket int, y float64))

func timeAbove(t age.Teeth) above {
	return func(f func(int, float64)) {
		t.Above(func(bucket int, time time.Duration) { f(bucket, float64(time)) })
	}
}

func valuesAbove(p *age.Points) above {
	return func(f func(int, float64)) {
		p.Above(func(bucket int, values uint64) { f(bucket, float64(values)) })
	}
}

// add folds one replication in, x being the whole time or the number of values.
func (c *curve) add(walk above, x float64) {
	if x <= 0 {
		return
	}
	c.n++
	c.x, c.xx = c.x+x, c.xx+x*x
	lowest := 0
	walk(func(bucket int, y float64) {
		lowest = bucket
		if y == 0 {
			return
		}
		row := c.rows[bucket/age.Row]
		if row == nil {
			row = new([age.Row]squares)
			c.rows[bucket/age.Row] = row
		}
		s := &row[bucket%age.Row]
		s.yy, s.xy = s.yy+y*y, s.xy+x*y
	})
	for r := range lowest / age.Row {
		c.below[r] += x * x
	}
}

// at returns the sums of an edge.
func (c *curve) at(bucket int) (s squares) {
	if row := c.rows[bucket/age.Row]; row != nil {
		s = row[bucket%age.Row]
	}
	b := c.below[bucket/age.Row]
	return squares{s.yy + b, s.xy + b}
}

// inside places a level inside a bucket: over and under are what lies above its
// edge and above the next one, wanted lies between. The result is in nanoseconds.
type inside func(bucket int, over, under, wanted float64) float64

// meanOf takes the mean of the bucket's values.
func meanOf(p *age.Points) inside {
	return func(bucket int, _, _, _ float64) float64 {
		mean, _ := p.BucketMean(bucket)
		return mean
	}
}

// crossing finds the least place at which a quantity that is known at the edges,
// told from the highest edge downwards, falls to wanted.
type crossing struct {
	wanted, under, found float64
	place                inside
}

func (c *crossing) next(bucket int, over float64) {
	if over > c.under && c.under <= c.wanted && c.wanted <= over {
		c.found = c.place(bucket, over, c.under, c.wanted)
	}
	c.under = over
}

// quantile returns the level-quantile of the pooled distribution in seconds. Its
// interval inverts the t-interval of the share above x: Low is the least x at
// which the lower end of that share comes down to 1-level, High the least x at
// which the upper end does. So Low <= Value <= High holds by construction.
func (c *curve) quantile(walk above, place inside, level, most, alpha float64) Value {
	if c.n == 0 {
		return Value{}
	}
	wanted := (1 - level) * c.x
	start := crossing{wanted: wanted, found: math.NaN(), place: place}
	value, low, high := start, start, start
	var wide float64
	if c.n >= 2 {
		wide = spread(c.n, c.x, alpha)
	}
	walk(func(bucket int, y float64) {
		value.next(bucket, y)
		if c.n < 2 {
			return
		}
		s := c.at(bucket)
		half := residual(y/c.x, s.yy, s.xy, c.xx) * wide * c.x
		low.next(bucket, max(0, y-half))
		high.next(bucket, min(c.x, y+half))
	})
	v := Value{Defined: true, Value: min(value.found, most) / second, Low: math.NaN(), High: math.NaN()}
	if c.n >= 2 {
		v.Interval = true
		v.Low, v.High = min(low.found, most)/second, min(high.found, most)/second
		// Where even the lower end never exceeds the wanted share, any age may be it.
		if math.IsNaN(low.found) {
			v.Low = 0
		}
	}
	return v
}
