package bridge

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"
)

func TestFractionOfARate(t *testing.T) {
	for _, x := range []struct {
		rate float64
		p, q int64
	}{
		{20, 20, 1}, {0.1, 1, 10}, {100.0 / 3, 100, 3}, {1.0 / 3600, 1, 3600}, {12.5, 25, 2}, {0.001, 1, 1000}, {1e9, 1e9, 1}, {0.07, 7, 100},
	} {
		p, q := fraction(x.rate, 1e6, mostUnits)
		require.Equal(t, [2]int64{x.p, x.q}, [2]int64{p, q}, "%v", x.rate)
	}
	p, q := fraction(math.Pi, 150, mostUnits)
	require.Equal(t, [2]int64{355, 113}, [2]int64{p, q}, "the convergents of pi are 3, 22/7, 333/106, 355/113, ...")
	p, _ = fraction(1e-9, 1e6, mostUnits)
	require.Zero(t, p, "out of reach")
}

// A third of a token a millisecond: 1/3 has no finite binary fraction, yet a
// million tokens later the bucket is right to the nanosecond.
func TestABucketNeverDrifts(t *testing.T) {
	b, ok := newBucket(1000.0/3, time.Second, 0, 1)
	require.True(t, ok)
	now := time.Duration(0)
	b.charge(now, 1)
	for range 1_000_000 {
		now = b.ready(now, 1)
		b.charge(now, 1)
	}
	require.Equal(t, 1_000_000*3*ms, now)
}

// The token bucket of golang.org/x/time/rate decides the same on random
// requests. It counts in floating point; requests that it would decide within a
// millionth of a token are left out.
func TestBucketAgreesWithAnotherImplementation(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	asked, passed := 0, 0
	for range 200 {
		perSecond := pick(random, 1, 10, 1000./3, 0.7, 12500, 1e6*random.Float64())
		full := 1 + random.Int64N(500)
		b, ok := newBucket(perSecond, time.Second, 0, full)
		require.True(t, ok)
		limiter := rate.NewLimiter(rate.Limit(perSecond), int(full))
		epoch := time.Unix(0, 0)
		now := time.Duration(0)
		for range 300 {
			now += time.Duration(random.ExpFloat64() * float64(full) / perSecond * 1e9 * 0.7)
			n := 1 + random.Int64N(full)
			at := epoch.Add(now)
			if tokens := limiter.TokensAt(at); math.Abs(tokens-float64(n)) < 1e-6*max(1, tokens) {
				continue
			}
			mine := b.ready(now, n) == now
			require.Equal(t, limiter.AllowN(at, int(n)), mine, "%v a second, %d of %d at %v", perSecond, n, full, now)
			asked++
			if mine {
				passed++
				b.charge(now, n)
			} else { // the waiting time as well, to the nanosecond and the rounding of the other
				wait := limiter.ReserveN(at, int(n))
				require.InDelta(t, float64(wait.DelayFrom(at)), float64(b.ready(now, n)-now), 2+1e-9*float64(b.ready(now, n)))
				wait.CancelAt(at)
			}
		}
	}
	require.Greater(t, passed, asked/10)
	require.Greater(t, asked-passed, asked/10)
}

func TestBurst(t *testing.T) {
	b, ok := newBucket(10, time.Second, 500*ms, 1)
	require.True(t, ok)
	require.Equal(t, 5*b.token, b.capacity, "10 a second for half a second")
	_, ok = newBucket(10, time.Second, 99*ms, 1)
	require.False(t, ok, "0.99 of a broadcast never pays for one")
	b, ok = newBucket(0.01, 1, 0, int64(3*time.Second))
	require.True(t, ok, "one percent of the air, broadcasts of 3 s")
	b.charge(0, int64(3*time.Second))
	require.Equal(t, 300*time.Second, b.ready(0, int64(3*time.Second)))
}

// In every span of time a limited bridge sends at most the burst and the rate
// (the definition of a token bucket), for each of the three limits.
func TestLimitsHoldInEverySpan(t *testing.T) {
	limited := 0
	for seed := range cases() {
		c, frames := randomCase(seed)
		if c.Limit == (RateLimit{}) {
			continue
		}
		r := newRig(t, c)
		r.air = 100 * us
		r.run(time.Second, frames...)
		check := func(limit, full, per float64, cost func(i int) float64) {
			if limit == 0 {
				return
			}
			capacity := full
			if c.Limit.Burst > 0 {
				capacity = limit * float64(c.Limit.Burst) / per
			}
			for i := range r.out {
				sum := 0.0
				for j := i; j < len(r.out); j++ {
					sum += cost(j)
					most := capacity + limit*float64(r.out[j].at-r.out[i].at)/per
					if sum > most*(1+1e-9)+1e-6 {
						t.Fatalf("seed %d: %v from %d to %d, at most %v", seed, sum, i, j, most)
					}
					limited++
				}
			}
		}
		check(c.Limit.Broadcasts, 1, 1e9, func(int) float64 { return 1 })
		check(c.Limit.Bytes, float64(c.MaxPayload), 1e9, func(i int) float64 { return float64(len(r.written[i])) })
		check(c.Limit.AirShare, float64(c.Airtime(c.MaxPayload)), 1, func(i int) float64 { return float64(c.Airtime(len(r.written[i]))) })
	}
	require.NotZero(t, limited)
}
