package study

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/sim/age"
)

// invert finds the ends of a quantile from all replications at once, in the plainest
// way: the share over each edge with its interval, and the first edge at which it has
// come down to the wanted one.
func invert(tracks []*age.Track, level, alpha float64) (low, high float64) {
	low, high = math.NaN(), math.NaN()
	for bucket := range age.Buckets {
		var r ratio
		for _, track := range tracks {
			var over time.Duration
			lowest := age.Buckets
			track.Ages().Above(func(b int, y time.Duration) {
				if b == bucket {
					over = y
				}
				lowest = b
			})
			if bucket < lowest {
				over = track.Observed()
			}
			r.add(float64(over), float64(track.Observed()))
		}
		v := r.value(alpha, 1)
		if math.IsNaN(low) && v.Low <= 1-level {
			low = seconds(age.Edge(bucket))
		}
		if v.High <= 1-level {
			return low, seconds(age.Edge(bucket))
		}
	}
	return low, high
}

func TestQuantileEndsInvertTheIntervalOfTheShare(t *testing.T) {
	dice := rand.New(rand.NewPCG(21, 22))
	var pooled age.Track
	var c curve
	var tracks []*age.Track
	for i := range 12 {
		track := new(age.Track)
		now := time.Duration(0)
		track.Open(0, -time.Duration(dice.ExpFloat64()*300))
		for range 20 + 10*i {
			now += time.Duration(dice.ExpFloat64() * 1000)
			track.Update(now, now-time.Duration(dice.ExpFloat64()*300))
		}
		track.Close(now)
		tracks = append(tracks, track)
		c.add(timeAbove(track.Ages()), float64(track.Observed()))
		pooled.Merge(track)
	}
	ages := pooled.Ages()
	for _, level := range []float64{.05, .5, .9, .95, .99} {
		got := c.quantile(timeAbove(ages), age.Between, level, float64(ages.Max()), .05)
		require.InDelta(t, ages.Quantile(level)/second, got.Value, 1e-15)
		low, high := invert(tracks, level, .05)
		// The ends lie inside the bucket below the edge that the plain way finds.
		require.LessOrEqual(t, got.Low, low+1e-15)
		require.LessOrEqual(t, got.High, high+1e-15)
		require.InDelta(t, low, got.Low, low/128+1.1e-9, "level %v", level)
		require.InDelta(t, high, got.High, high/128+1.1e-9, "level %v", level)
		require.LessOrEqual(t, got.Low, got.Value)
		require.LessOrEqual(t, got.Value, got.High)
	}
}

// A distribution of few different values is exact, and so is its interval.
func TestQuantilesOfAtoms(t *testing.T) {
	var pooled age.Points
	var c counted
	for i := range 10 {
		var p age.Points
		p.Add(1_000_003, 90+uint64(i%2))
		p.Add(2_000_017, 10-uint64(i%2))
		c.add(&p)
		pooled.Merge(&p)
	}
	s := c.statistic(&pooled, time.Second, .05)
	require.Equal(t, Value{true, true, 1_000_003e-9, 1_000_003e-9, 1_000_003e-9}, s.P50)
	require.Equal(t, Value{true, true, 2_000_017e-9, 2_000_017e-9, 2_000_017e-9}, s.P95)
	require.InDelta(t, (.905*1_000_003+.095*2_000_017)*1e-9, s.Mean.Value, 1e-18)
	require.Equal(t, Max{true, 2_000_017e-9, 1}, s.Max)
}
