package age

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// someTracks returns closed tracks of the same limit with ages of every size.
func someTracks(dice *rand.Rand, n int) []*Track {
	var tracks []*Track
	for range n {
		t := NewTrack(30 * time.Millisecond)
		now := time.Duration(0)
		for range 1 + dice.IntN(3) {
			t.Open(now, now-time.Duration(dice.Int64N(50_000)))
			for range dice.IntN(200) {
				now += time.Duration(math.Exp(dice.Float64() * 20))
				t.Update(now, now-time.Duration(dice.Int64N(1_000)))
			}
			now += time.Duration(dice.Int64N(1e8))
			t.Close(now)
		}
		tracks = append(tracks, t)
	}
	return tracks
}

// Spreads tell what merged tracks tell, to the bit, whole and with each one left
// out.
func TestSpreadsAreTracksMerged(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 5))
	for range 50 {
		tracks := someTracks(dice, 2+dice.IntN(6))
		spreads := make([]*Spread, len(tracks))
		for i, k := range tracks {
			spreads[i] = &Spread{}
			spreads[i].Add(k)
		}
		merged := func(without int) *Track {
			sum := NewTrack(30 * time.Millisecond)
			for i, k := range tracks {
				if i != without {
					sum.Merge(k)
				}
			}
			return sum
		}
		equal := func(want *Track, got *Spread) {
			require.Equal(t, want.Observed(), got.Observed())
			require.Equal(t, want.OverLimit(), got.OverLimit())
			require.Equal(t, want.Mean(), got.Mean())
			for _, level := range []float64{0, .1, .5, .95, .99, .999, 1} {
				require.Equal(t, want.Ages().Quantile(level), got.Quantile(level), "level %v", level)
			}
		}
		calls := 0
		LeaveOneOut(spreads, func(all *Spread) { equal(merged(-1), all) }, func(i int, others *Spread) {
			equal(merged(i), others)
			calls++
		})
		require.Equal(t, len(tracks), calls)
	}
}

func TestEmptySpread(t *testing.T) {
	var s Spread
	require.True(t, math.IsNaN(s.Mean()))
	require.True(t, math.IsNaN(s.Quantile(.5)))
	require.Zero(t, s.Observed())
	open := NewTrack(0)
	open.Open(0, 0)
	require.PanicsWithValue(t, "age: Add of an open track", func() { s.Add(open) })
}

// A jackknife of twenty groups, against merging the others anew for each.
func BenchmarkLeaveOneOut(b *testing.B) {
	tracks := someTracks(rand.New(rand.NewPCG(3, 5)), 20)
	spreads := make([]*Spread, len(tracks))
	for i, k := range tracks {
		spreads[i] = &Spread{}
		spreads[i].Add(k)
	}
	b.Run("spreads", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			LeaveOneOut(spreads, func(*Spread) {}, func(_ int, others *Spread) { others.Quantile(.99) })
		}
	})
	b.Run("merged", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for out := range tracks {
				rest := NewTrack(30 * time.Millisecond)
				for i, k := range tracks {
					if i != out {
						rest.Merge(k)
					}
				}
				rest.Ages().Quantile(.99)
			}
		}
	})
}
