package bridge

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func splitLines(s string) []string { return strings.Split(s, "\n") }

// Stalls whose begins are a Poisson process of rate 1/E and whose length is L
// cover a share 1 - exp(-L/E) of the time (the coverage of a Poisson process).
func TestRandomStallsCoverTheirShare(t *testing.T) {
	const every, length, n = 10 * ms, 4 * ms, 40_000
	c := Config{Random: RandomStalls{Every: every, Length: length}, Stream: func(string, int) *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }}
	cursor, _ := newStalls(&c)
	var covered, end time.Duration
	sum := 0
	for i := range n {
		s := cursor.from.at(i)
		require.Greater(t, s.From, end)
		covered += s.Until - s.From
		end, sum = s.Until, sum+1
	}
	// A span and the gap before it are independent cycles: the share is a ratio of
	// means. Var(gap) = E^2 and the spans vary less than gaps do, so the standard
	// error of the share is below p/sqrt(n) * (1 + (1-p)).
	want := 1 - math.Exp(-float64(length)/float64(every))
	require.InDelta(t, want, float64(covered)/float64(end), 4*2*want/math.Sqrt(n))
}

// Every design meets the same stalls, whatever it asks and when.
func TestStallsDoNotDependOnTheQuestions(t *testing.T) {
	config := func() *Config {
		return &Config{
			Stalls: []Span{{30 * ms, 35 * ms}, {0, 2 * ms}, {34 * ms, 36 * ms}}, Random: RandomStalls{Every: 10 * ms, Length: 2 * ms},
			Stream: func(string, int) *rand.Rand { return rand.New(rand.NewPCG(5, 5)) },
		}
	}
	all, _ := newStalls(config())
	inside := func(at time.Duration) time.Duration {
		for i := 0; ; i++ {
			if s := all.from.at(i); at < s.From {
				return at
			} else if at < s.Until {
				return s.Until
			}
		}
	}
	random := rand.New(rand.NewPCG(6, 6))
	pick, work := newStalls(config())
	var p, w time.Duration
	for range 2000 {
		p += time.Duration(random.Int64N(int64(3 * ms)))
		require.Equal(t, inside(p), pick.release(p))
		w = max(w, p) + time.Duration(random.Int64N(int64(ms)))
		start := work.release(w)
		require.Equal(t, inside(w), start)
		w = work.finish(start, ms)
		// Work counted span by span between its begin and end is what it costs.
		var stood time.Duration
		for i := 0; all.from.at(i).From < w; i++ {
			s := all.from.at(i)
			stood += max(0, min(s.Until, w)-max(s.From, start))
		}
		require.Equal(t, ms, w-start-stood)
	}
	require.Greater(t, pick.from.first, 0, "spans that are over are forgotten")
}
