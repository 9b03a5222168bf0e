package age

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func checkBucket(t *testing.T, v time.Duration) {
	t.Helper()
	i := Bucket(v)
	require.True(t, 0 <= i && i < Buckets)
	require.LessOrEqual(t, Edge(i), v)
	if i+1 < Buckets {
		require.Less(t, v, Edge(i+1))
	}
	wide := edge(i+1) - edge(i)
	if v < 256 {
		require.EqualValues(t, 1, wide)
	} else {
		require.LessOrEqual(t, wide, uint64(v)/128)
	}
}

func TestBucketsHoldTheirValues(t *testing.T) {
	for v := range time.Duration(5000) {
		checkBucket(t, v)
	}
	for e := range 63 {
		for d := time.Duration(-2); d <= 2; d++ {
			if v := time.Duration(1)<<e + d; v >= 0 {
				checkBucket(t, v)
			}
		}
	}
	checkBucket(t, math.MaxInt64)
	for i := range Buckets {
		require.Equal(t, i, Bucket(Edge(i)))
	}
	require.EqualValues(t, math.MaxInt64, Edge(Buckets))
}

func FuzzBucket(f *testing.F) {
	f.Add(int64(127))
	f.Add(int64(1 << 62))
	f.Fuzz(func(t *testing.T, v int64) {
		if v >= 0 {
			checkBucket(t, time.Duration(v))
		}
	})
}

func TestPointsCountExactly(t *testing.T) {
	var p Points
	require.True(t, math.IsNaN(p.Mean()))
	require.True(t, math.IsNaN(p.Quantile(.5)))
	for v := time.Duration(1); v <= 100; v++ {
		p.Add(v, 1)
	}
	require.EqualValues(t, 100, p.Count())
	require.Equal(t, "5050", p.Sum().String())
	require.Equal(t, 50.5, p.Mean())
	require.EqualValues(t, 100, p.Max())
	for _, c := range []struct{ level, want float64 }{{0, 1}, {.5, 50}, {.95, 95}, {.99, 99}, {1, 100}} {
		require.Equal(t, c.want, p.Quantile(c.level), "level %v", c.level)
	}
	p.Add(7, 0)
	require.EqualValues(t, 100, p.Count())
	p.Reset()
	require.Zero(t, p.Count())
	require.True(t, math.IsNaN(p.Quantile(.5)))
	require.PanicsWithValue(t, "age: a value below 0", func() { p.Add(-1, 1) })
}

// A billion values of half an hour and one of a century do not overflow.
func TestPointsHoldManyLargeValues(t *testing.T) {
	var p Points
	p.Add(30*time.Minute+time.Nanosecond, 1e9)
	require.Equal(t, Product(30*int64(time.Minute)+1, 1e9), p.Sum())
	century := 876600 * time.Hour
	p.Add(century, 1)
	require.Equal(t, Product(30*int64(time.Minute)+1, 1e9).Add(FromInt64(int64(century))), p.Sum())
	require.Equal(t, float64(30*time.Minute+1), p.Quantile(.99), "a bucket with one value in it is exact")
}

func TestPointsMergeIsAddition(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 4))
	var all, a, b Points
	for range 5000 {
		v := time.Duration(dice.Uint64() >> (2 + dice.IntN(60)))
		n := dice.Uint64N(5)
		all.Add(v, n)
		if dice.IntN(2) == 0 {
			a.Add(v, n)
		} else {
			b.Add(v, n)
		}
	}
	a.Merge(&b)
	require.Equal(t, all, a)
}

func BenchmarkPointsAdd(b *testing.B) {
	var p Points
	b.ReportAllocs()
	v := time.Duration(12345)
	for b.Loop() {
		v = (v*1103515245 + 12345) & (1<<30 - 1)
		p.Add(v, 1)
	}
}
