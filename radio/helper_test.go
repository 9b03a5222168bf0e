package radio

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const us = time.Microsecond

// long says whether the full counts are wanted. It asks when a test runs, so that
// go test does not take the result of the short counts out of its cache.
func long() bool { return os.Getenv("STALEGAUGE_LONG") != "" }

// sized returns the short or the long size of a check.
func sized[T any](short, full T) T {
	if long() {
		return full
	}
	return short
}

// streams returns the streams of a run by purpose and index.
func streams(seed uint64) func(string, int) *rand.Rand {
	return func(purpose string, index int) *rand.Rand {
		h := fnv.New64a()
		h.Write([]byte(purpose))
		return rand.New(rand.NewPCG(seed, h.Sum64()+uint64(index)))
	}
}

// profile returns the profile of s.
func profile(t testing.TB, s Settings) Profile {
	t.Helper()
	p, err := NewProfile(s)
	require.NoError(t, err)
	return p
}

// actionFrame returns the action-frame profile of s.
func actionFrame(t testing.TB, s Settings) *ActionFrame {
	t.Helper()
	return profile(t, s).(*ActionFrame)
}

// saturate keeps every station supplied with broadcasts of n bytes and lets the
// medium run to the given instant. each sees every event and may be nil.
func saturate(c Channel, stations, n int, until time.Duration, each func(Event)) {
	for i := range stations {
		c.Request(0, i, n)
	}
	var events []Event
	for {
		at, ok := c.Next()
		if !ok || at > until {
			return
		}
		events = c.Advance(at, events[:0])
		for _, e := range events {
			if each != nil {
				each(e)
			}
			if e.Kind == Ended {
				c.Request(at, e.Station, n)
			}
		}
	}
}

// traffic offers broadcasts of n bytes to the stations at Poisson instants of a
// given rate (per second and station), each with an unlimited queue, and
// returns for each that has left its wait for the begin and whether it
// collided.
func traffic(c Channel, stations, n int, rate float64, until time.Duration, rng *rand.Rand) (waits []float64, collided int) {
	arrivals := make([]time.Duration, stations)
	queues := make([][]time.Duration, stations)
	gap := func() time.Duration { return time.Duration(rng.ExpFloat64() / rate * 1e9) }
	for i := range arrivals {
		arrivals[i] = gap()
	}
	var events []Event
	for {
		first := 0
		for i := range arrivals {
			if arrivals[i] < arrivals[first] {
				first = i
			}
		}
		at, ok := c.Next()
		if now := arrivals[first]; !ok || now < at {
			if now > until {
				return waits, collided
			}
			queues[first] = append(queues[first], now)
			if len(queues[first]) == 1 {
				c.Request(now, first, n)
			}
			arrivals[first] += gap()
			continue
		}
		events = c.Advance(at, events[:0])
		for _, e := range events {
			q := queues[e.Station]
			if e.Kind == Began {
				waits = append(waits, (at - q[0]).Seconds())
				continue
			}
			if e.Collided {
				collided++
			}
			queues[e.Station] = q[1:]
			if len(q) > 1 {
				c.Request(at, e.Station, n)
			}
		}
	}
}

// meanOf returns the mean of xs and its standard error by batch means over 20
// batches, which hold correlated values together.
func meanOf(xs []float64) (mean, se float64) {
	const batches = 20
	size := len(xs) / batches
	var sum, squares float64
	for b := range batches {
		var m float64
		for _, x := range xs[b*size : (b+1)*size] {
			m += x / float64(size)
		}
		sum += m
		squares += m * m
	}
	mean = sum / batches
	return mean, math.Sqrt(max(0, squares/batches-mean*mean) / (batches - 1))
}

// shareError is the standard error of a share p counted in n independent
// trials.
func shareError(p float64, n int) float64 { return math.Sqrt(p * (1 - p) / float64(n)) }

// rootOf is the square root.
func rootOf(x float64) float64 { return math.Sqrt(x) }

// roundedTo3 is half a unit of the third digit of x, as printed.
func roundedTo3(x float64) float64 { return 0.5 * math.Pow(10, math.Floor(math.Log10(x))-2) }
