package study

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
)

// plain is one message every 100 ms, sent at once on a medium without airtime to
// a display that shows it at once; each broadcast is lost with the chance of 30 %,
// independently of all others.
const plain = `
duration: 100s
bus:
  bitrate: 1Mbit/s
  messages: {Dial: {id: 100, period: 100ms, length: 1, signals: {level: {start: 0, bits: 8}}}}
bridge: {forward: [100], policy: each, pickup: {latency: 0, cost: 0}}
radio: {profile: ideal, airtime: 0}
weather: {loss: 30%, good_loss: 30%, bad_loss: 30%}
receivers: {dial: {handler: 0, draw: 0, redraw: {on_change: 0}, shows: {level: 250ms}}}
`

func design(t *testing.T, name string, sets ...string) Design {
	t.Helper()
	var parsed []scenarios.Set
	for _, s := range sets {
		set, err := scenarios.ParseSet(s)
		require.NoError(t, err)
		parsed = append(parsed, set)
	}
	plan, err := scenarios.Load("plain", []byte(plain), parsed)
	require.NoError(t, err)
	return Design{name, plan}
}

// The mean age with m copies s apart is T/2 + [s(p+...+p^(m-1)) +
// (T-(m-1)s) p^m]/(1-p^m); what a second copy half a period later is worth is
// known. Common streams find it with far fewer replications.
func TestPairedDifferenceOfAKnownPair(t *testing.T) {
	runs, least, most := counts(20, 400), .80, 1.
	if runs == 400 {
		least, most = .92, .97
	}
	p, period, s := .3, .1, .05
	truth := (s*p+(period-s)*p*p)/(1-p*p) - period*p/(1-p)
	once, twice := design(t, "once"), design(t, "twice", "bridge.repeat.copies=2", "bridge.repeat.spacing=50ms")
	covered, narrower := 0, 0.
	for i := range runs {
		for _, d := range []Design{once, twice} {
			d.Plan.Seed = uint64(100 + i)
		}
		c, err := Compare(context.Background(), []Design{once, twice}, CompareOptions{Options: Options{Replications: 20}})
		require.NoError(t, err)
		d := c.Pairs[0].Signals[0].Mean.Difference
		if d.Low <= truth && truth <= d.High {
			covered++
		}
		require.Less(t, d.High, 0., "shown")
		if i < 10 {
			apart, err := Compare(context.Background(), []Design{once, twice}, CompareOptions{Options: Options{Replications: 20}, Independent: true})
			require.NoError(t, err)
			ratio := (apart.Pairs[0].Signals[0].Mean.Difference.High - apart.Pairs[0].Signals[0].Mean.Difference.Low) / (d.High - d.Low)
			narrower += ratio * ratio / 10
		}
	}
	share := float64(covered) / float64(runs)
	require.GreaterOrEqual(t, share, least)
	require.LessOrEqual(t, share, most)
	t.Logf("%d of %d intervals cover %.4g s; independent streams need %.1f times the replications", covered, runs, truth, narrower)
}

// Equal designs on common streams are equal to the bit; on streams of their own a
// difference must not be shown, but for one in twenty.
func TestEqualDesigns(t *testing.T) {
	runs := counts(40, 1000)
	a, b := design(t, "a"), design(t, "b")
	c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Replications: 10}})
	require.NoError(t, err)
	for _, d := range []Paired{c.Pairs[0].Worst, c.Pairs[0].OwnShare, c.Pairs[0].Signals[0].Mean, c.Pairs[0].Signals[0].P99, c.Pairs[0].Signals[0].OverLimit} {
		require.Equal(t, Value{Defined: true, Interval: true}, d.Difference)
	}
	wrong := 0
	for i := range runs {
		a.Plan.Seed, b.Plan.Seed = uint64(900+i), uint64(900+i)
		c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Replications: 10}, Independent: true})
		require.NoError(t, err)
		if d := c.Pairs[0].Signals[0].Mean.Difference; d.Low > 0 || d.High < 0 {
			wrong++
		}
	}
	// 5 %, and in the short form four standard errors of it on top.
	allowed := .05 + float64(counts(4, 0))*math.Sqrt(.05*.95/float64(runs))
	require.LessOrEqual(t, float64(wrong)/float64(runs), allowed)
}

func TestDesignsThatCannotBeCompared(t *testing.T) {
	a := design(t, "a")
	_, err := Compare(context.Background(), []Design{a}, CompareOptions{})
	require.EqualError(t, err, "a comparison needs two designs")
	b := design(t, "b", "bus.messages.Dial.period=90ms")
	b.Plan.Seed = 9
	_, err = Compare(context.Background(), []Design{a, b}, CompareOptions{})
	require.EqualError(t, err, "a and b begin with different seeds: 1 and 9")
	b.Plan.Seed = a.Plan.Seed
	_, err = Compare(context.Background(), []Design{a, b}, CompareOptions{})
	require.EqualError(t, err, "a and b hear different buses: a difference would say nothing about the designs")
}

// The number of workers changes nothing, and rounds end where they are told to.
func TestComparisonsRepeat(t *testing.T) {
	designs := []Design{design(t, "a"), design(t, "b", "bridge.repeat.copies=2"), design(t, "c", "bridge.policy.kind=table")}
	var first string
	for _, workers := range []int{1, 2, 5} {
		c, err := Compare(context.Background(), designs, CompareOptions{
			Options: Options{Replications: 40, Workers: workers}, Ends: func(done int) bool { return done == 20 }})
		require.NoError(t, err)
		require.Equal(t, 20, c.Replications)
		require.Len(t, c.Pairs, 3)
		require.InDelta(t, 1-.05/3, c.Confidence, 1e-12)
		text := fmt.Sprintf("%+v", c.Pairs)
		if first == "" {
			first = text
		}
		require.Equal(t, first, text)
	}
}
