package study

import (
	"context"
	"fmt"
	"math"
	"strings"
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

func design(t *testing.T, name string, sets ...string) Design { return loaded(t, plain, name, sets...) }

func loaded(t *testing.T, text, name string, sets ...string) Design {
	t.Helper()
	var parsed []scenarios.Set
	for _, s := range sets {
		set, err := scenarios.ParseSet(s)
		require.NoError(t, err)
		parsed = append(parsed, set)
	}
	plan, err := scenarios.Load("plain", []byte(text), parsed)
	require.NoError(t, err)
	return Design{Name: name, Plan: plan}
}

// Equal designs on common streams are equal to the bit; on streams of their own no
// difference is shown, but for one in twenty.
func TestEqualDesigns(t *testing.T) {
	a, b := design(t, "a"), design(t, "b")
	c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Replications: 10}})
	require.NoError(t, err)
	p := c.Pairs[0]
	for _, d := range []Paired{p.Worst, p.OwnShare, p.Overall.P99, p.Signals[0].Mean, p.Signals[0].P99, p.Signals[0].OverLimit, p.Signals[0].Unknown} {
		require.Equal(t, Value{Defined: true, Interval: true}, d.Difference)
		require.True(t, d.Equal())
	}

	a, b = design(t, "a", "duration=20s"), design(t, "b", "duration=20s")
	runs, wrong := counts(200, 1000), [4]int{}
	for i := range runs {
		a.Plan.Seed, b.Plan.Seed = uint64(900+i), uint64(900+i)
		c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Replications: 10}, Independent: true})
		require.NoError(t, err)
		p := &c.Pairs[0]
		for k, d := range []Paired{p.Overall.Mean, p.Overall.P95, p.Overall.P99, p.Overall.OverLimit} {
			if d.Sign() != 0 {
				wrong[k]++
			}
		}
	}
	for k, n := range wrong {
		t.Logf("figure %d: a difference shown in %d of %d", k, n, runs)
		allowed := .05 // of what the verdict speaks of, p99 overall
		if k != 2 {
			allowed += 4 * math.Sqrt(.05*.95/float64(runs))
		}
		require.LessOrEqual(t, float64(n)/float64(runs), allowed)
	}
}

// A comparison that may stop at any of six looks claims no more often than one in
// twenty what is not there.
func TestEqualDesignsWithLooks(t *testing.T) {
	runs, wrong := counts(3, 200), 0
	for i := range runs {
		a, b := design(t, "a", "duration=10s"), design(t, "b", "duration=10s")
		a.Plan.Seed, b.Plan.Seed = uint64(5000+i), uint64(5000+i)
		c, err := Compare(context.Background(), []Design{a, b}, CompareOptions{Options: Options{Sequential: true}, Independent: true})
		require.NoError(t, err)
		require.InDelta(t, 1-.05/6, c.Confidence, 1e-12)
		if c.Pairs[0].Overall.P99.Sign() != 0 {
			wrong++
		} else {
			require.Equal(t, 320, c.Replications)
		}
	}
	t.Logf("a difference shown in %d of %d", wrong, runs)
	require.LessOrEqual(t, float64(wrong)/float64(runs), .05)
}

func TestDesignsThatCannotBeCompared(t *testing.T) {
	a := design(t, "a")
	_, err := Compare(context.Background(), []Design{a}, CompareOptions{})
	require.EqualError(t, err, "a comparison needs two designs")
	_, err = Compare(context.Background(), []Design{a, design(t, "b")}, CompareOptions{Options: Options{Replications: 1}})
	require.EqualError(t, err, "1 replication has no interval: a comparison takes two or more")
	_, err = Compare(context.Background(), []Design{a, design(t, "b")}, CompareOptions{Against: "c"})
	require.EqualError(t, err, `no design has the name "c"`)

	b := design(t, "b", "bus.messages.Dial.period=90ms", "receivers.dial.shows.level=300ms", "duration=50s")
	b.Plan.Seed = 9
	_, err = Compare(context.Background(), []Design{a, b}, CompareOptions{})
	require.EqualError(t, err, `a and b cannot be compared: they begin with different seeds, 1 and 9
a and b cannot be compared: they hear different buses, so a difference would say nothing about the designs
a and b cannot be compared: they run for different times, 1m40s and 50s
a and b cannot be compared: they hold level on display dial to different limits`)
}

// The number of workers changes nothing, and rounds end where they are told to.
func TestComparisonsRepeat(t *testing.T) {
	designs := []Design{design(t, "a"), design(t, "b", "bridge.repeat.copies=2"), design(t, "c", "bridge.policy.kind=table")}
	compare := func(o CompareOptions) *Comparison {
		c, err := Compare(context.Background(), designs, o)
		require.NoError(t, err)
		return c
	}
	want := compare(CompareOptions{Options: Options{Replications: 23}})
	require.Len(t, want.Pairs, 3)
	require.InDelta(t, 1-.05/3, want.Confidence, 1e-12)
	for _, workers := range []int{1, 2, 5} {
		c := compare(CompareOptions{Options: Options{Replications: 40, Workers: workers},
			Ends: func(_ int, frames uint64) bool { return frames >= want.Frames }})
		requireSame(t, want, c)
	}
	require.Len(t, compare(CompareOptions{Options: Options{Replications: 5}, Against: "b"}).Pairs, 2)
	looked := compare(CompareOptions{Options: Options{Sequential: true}, Ends: func(rounds int, _ uint64) bool { return rounds == 7 }})
	require.Equal(t, 7, looked.Replications)
	require.InDelta(t, 1-.05/6/3, looked.Confidence, 1e-12)
	require.Nil(t, looked.Looks)
	// A budget that is used up at a look changes nothing about the look.
	looked = compare(CompareOptions{Options: Options{Sequential: true}})
	again := compare(CompareOptions{Options: Options{Sequential: true}, Ends: func(_ int, frames uint64) bool { return frames >= looked.Frames }})
	require.Equal(t, looked.Looks, again.Looks)
	requireSame(t, looked, again)
}

// What is known when it is stopped is what as many replications tell.
func TestComparisonThatIsStopped(t *testing.T) {
	designs := []Design{design(t, "a"), design(t, "b", "bridge.repeat.copies=2")}
	want, err := Compare(context.Background(), designs, CompareOptions{Options: Options{Replications: 12}})
	require.NoError(t, err)
	for _, at := range []int{1, 12} {
		ctx, cancel := context.WithCancel(context.Background())
		got, err := Compare(ctx, designs, CompareOptions{Options: Options{Replications: 400, Progress: func(done, _ int) {
			if done == at {
				cancel()
			}
		}}})
		require.ErrorIs(t, err, context.Canceled)
		if at == 1 {
			require.Nil(t, got, "one replication has no interval")
			continue
		}
		requireSame(t, want, got)
	}
}

// requireSame compares to the last bit. What is not a number equals nothing, but
// its text does.
func requireSame(t *testing.T, want, got *Comparison) {
	t.Helper()
	require.Equal(t, want.Frames, got.Frames)
	require.Equal(t, want.Replications, got.Replications)
	require.Equal(t, fmt.Sprintf("%+v", want.Pairs), fmt.Sprintf("%+v", got.Pairs))
	for i := range want.Results {
		require.Equal(t, written(want.Results[i]), written(got.Results[i]))
	}
}

// Looks stop when everybody knows enough, and wait for no yardstick.
func TestLooksStopWhenShown(t *testing.T) {
	a, b, same := design(t, "a"), design(t, "b", "bridge.repeat.copies=2"), design(t, "same")
	yardstick := design(t, "yardstick", "bridge.policy={kind: table, every: 101ms}")
	yardstick.Yardstick = true
	c, err := Compare(context.Background(), []Design{a, b, same, yardstick}, CompareOptions{Options: Options{Sequential: true}})
	require.NoError(t, err)
	require.Equal(t, []int{10}, c.Looks)
	require.True(t, c.Pairs[1].Overall.P99.Equal())
}

// Designs may differ in what they forward and show, in radio and queue. A signal
// that one never shows is told and spoils no average.
func TestDesignsThatDifferInEverything(t *testing.T) {
	two := strings.Replace(plain, "signals: {level: {start: 0, bits: 8}}}}",
		"signals: {level: {start: 0, bits: 8}}}, Gauge: {id: 200, period: 50ms, length: 1, signals: {turns: {start: 0, bits: 8}}}}", 1)
	load := func(name string, sets ...string) Design { return loaded(t, two, name, sets...) }
	a := load("a", "bridge.forward=[100, 200]", "receivers.dial.shows.turns=200ms")
	b := load("b", "receivers.dial.shows.turns=200ms", "radio={profile: action-frame}", "receivers.dial.queue=1", "receivers.dial.handler=40ms")
	c := load("c", "bridge.forward=[100, 200]")
	r, err := Compare(context.Background(), []Design{a, b, c}, CompareOptions{Options: Options{Replications: 5}})
	require.NoError(t, err)

	p := r.Pairs[0]
	require.Len(t, p.Signals, 2)
	require.True(t, math.IsInf(p.Signals[1].P99.B, 1), "never shown")
	require.False(t, p.Signals[1].P99.Difference.Defined)
	require.InDelta(t, 1, p.Signals[1].Unknown.B, 1e-12)
	require.Equal(t, p.Signals[0].P99, p.Overall.P99, "the average over what both have shown")
	require.Equal(t, 1, p.Overall.P99.Sign(), "the radio and the handler take time")
	require.InDelta(t, .5, p.Overall.Unknown.Difference.Value, 1e-3)
	require.True(t, math.IsInf(p.Worst.B, 1))

	p = r.Pairs[1]
	require.Equal(t, []string{"dial turns"}, p.OnlyA)
	require.Empty(t, p.OnlyB)
	require.Equal(t, []string{"dial turns"}, r.Pairs[2].OnlyA)
	require.Len(t, p.Signals, 1)
	require.True(t, p.Overall.Mean.Equal())
}
