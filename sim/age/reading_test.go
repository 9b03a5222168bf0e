package age_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/sim/age"
)

// A look at a track tells what closing it there would tell, and leaves it as it
// was. The ages stay below 128 ns, where each has a bucket of its own, so that the
// time at or below a bound can be counted by hand: a tooth spends the nanosecond
// from t to t+1 at ages above t and at most t+1.
func TestReadIsWhatClosingWouldTell(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 13))
	bounds := []time.Duration{5, 20, 21, 60, 127}
	for range 200 {
		looked, plain := age.NewTrack(30), age.NewTrack(30)
		now, valid := time.Duration(10), time.Duration(10-rng.IntN(10))
		for _, k := range []*age.Track{looked, plain} {
			k.Open(now, valid)
		}
		var counted [5]time.Duration
		for range 20 {
			for range rng.IntN(40) {
				if now-valid >= 126 {
					break
				}
				for i, b := range bounds {
					if now-valid < b {
						counted[i]++
					}
				}
				now++
			}
			reading, under := looked.Read(now), looked.Within(now, bounds, nil)
			require.Equal(t, counted[:], under)
			closed := *plain // the copy may be closed: the distributions are not asked for
			closed.Close(now)
			require.Equal(t, age.Reading{
				Observed: closed.Observed(), OverLimit: closed.OverLimit(),
				Violations: closed.Violations(), TwiceArea: closed.TwiceArea(),
			}, reading)
			valid = max(valid, now-time.Duration(rng.IntN(20)))
			looked.Update(now, valid)
			plain.Update(now, valid)
			at, ok := looked.Updated()
			require.True(t, ok)
			require.LessOrEqual(t, at, now)
		}
		looked.Close(now)
		plain.Close(now)
		require.Equal(t, plain.TwiceArea(), looked.TwiceArea())
		require.Equal(t, plain.Ages().Total(), looked.Ages().Total())
		_, ok := age.NewTrack(0).Updated()
		require.False(t, ok)
	}
}

// Between the edges of buckets the reading is linear, and it never falls.
func TestWithinInsideABucket(t *testing.T) {
	track := age.NewTrack(0)
	track.Open(0, 0)
	// One tooth from 0 to 1 s: it spends x at ages up to x.
	bounds := []time.Duration{time.Microsecond, 100 * time.Millisecond, 333_333_333, time.Second, time.Minute}
	under := track.Within(time.Second, bounds, nil)
	for i, b := range bounds {
		require.InDelta(t, min(b, time.Second), under[i], float64(b)/128, "%v", b)
	}
	before := under
	for now := time.Second; now < 2*time.Second; now += 7 * time.Millisecond {
		if now > 1500*time.Millisecond {
			track.Update(now, now-3*time.Millisecond)
		}
		later := track.Within(now, bounds, nil)
		for i := range later {
			require.GreaterOrEqual(t, later[i], before[i])
		}
		before = later
	}
	var points age.Points
	points.Add(50, 3)
	points.Add(100, 2)
	require.Equal(t, []uint64{0, 3, 3, 5, 5}, points.Within([]time.Duration{49, 50, 99, 100, time.Hour}))
	require.Equal(t, []uint64{0}, (&age.Points{}).Within([]time.Duration{time.Second}))
}
