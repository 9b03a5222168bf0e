package reports_test

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// apart is a figure of two designs with a difference that is known within half.
func apart(a, b, half float64) study.Paired {
	d := study.Value{Value: b - a, Low: math.NaN(), High: math.NaN()}
	if !math.IsInf(d.Value, 0) && !math.IsNaN(d.Value) {
		d.Defined, d.Interval, d.Low, d.High = true, true, b-a-half, b-a+half
	}
	return study.Paired{A: a, B: b, Difference: d}
}

func agesApart(a, b, half float64) study.Ages {
	open := study.Paired{A: math.NaN(), B: math.NaN(), Difference: study.Value{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}}
	return study.Ages{Mean: apart(a/2, b/2, half/2), P95: apart(a*.8, b*.8, half), P99: apart(a, b, half), OverLimit: open, Unknown: apart(0, 0, 0), Late: open, Wrong: open}
}

// harvest compares three designs of the example.
func harvest() *study.Comparison {
	r := hopper()
	r.Version = "v1"
	c := &study.Comparison{
		Version: "v1", Replications: 40, Frames: 1_234_567, Simulated: 2400, Confidence: 1 - .05/3, Key: study.KeySignal{Receiver: "cab", Signal: "speed"},
		Designs: []study.Design{{Name: "now", Plan: r.Plan}, {Name: "slow", Plan: r.Plan, Changes: "bridge.policy.hold=200ms"}, {Name: "lost", Plan: r.Plan, Changes: "bridge.forward=[120]"}},
		Results: []*study.Result{r, r, r},
	}
	never := math.Inf(1)
	pair := func(a, b int, speed, fuel study.Ages) study.Pair {
		return study.Pair{A: a, B: b, Overall: speed, Worst: apart(.5, .7, .05), OwnShare: apart(.03, .02, 0), OwnOccupancy: apart(.04, .03, .001),
			BroadcastsPerSecond: apart(20, 15, .1), Signals: []study.PairedSignal{{Receiver: "cab", Signal: "speed", Ages: speed}, {Receiver: "cab", Signal: "fuel", Ages: fuel}}}
	}
	c.Pairs = []study.Pair{
		pair(0, 1, agesApart(.2, .162, .007), agesApart(.3, .3, 0)),
		pair(0, 2, agesApart(.2, .201, .0075), agesApart(.3, never, 0)),
		pair(1, 2, agesApart(.162, .201, .008), agesApart(.3, never, 0)),
	}
	c.Pairs[0].Overall.Late, c.Pairs[0].Overall.Wrong = apart(.1, .02, .01), apart(.03, .04, .02)
	c.Pairs[1].OnlyA = []string{"cab lamp"}
	return c
}

func TestComparisonOfAnExample(t *testing.T) {
	text := func(o reports.TextOptions) func(io.Writer, *study.Comparison) error {
		return func(w io.Writer, c *study.Comparison) error { return reports.CompareText(w, c, o) }
	}
	for name, write := range map[string]func(io.Writer, *study.Comparison) error{
		"compare.txt": text(reports.TextOptions{}), "compare.json": reports.CompareJSON, "compare.csv": reports.CompareCSV,
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			require.NoError(t, write(&b, harvest()))
			golden(t, name, b.Bytes())
			require.ErrorIs(t, write(broken{}, harvest()), io.ErrShortWrite)
		})
	}
}

// A signal of which no change was seen is neither the worst nor hides who is, and the
// first picture, of which there is one a replication, has no part.
func TestTheWorstOfADesign(t *testing.T) {
	worst := func(c *study.Comparison) float64 {
		var b bytes.Buffer
		require.NoError(t, reports.CompareJSON(&b, c))
		var read struct {
			Designs []struct {
				Worst float64 `json:"worst_p99_over_limit"`
			}
		}
		require.NoError(t, json.Unmarshal(b.Bytes(), &read))
		return read.Designs[0].Worst
	}
	c := harvest()
	c.Results[0].Receivers = c.Results[0].Receivers[:1]
	d := &c.Results[0].Receivers[0]
	d.Signals = slices.DeleteFunc(d.Signals, func(s study.Signal) bool { return !s.Age.P99.Defined })
	want := worst(c)
	require.Positive(t, want)
	for _, s := range []study.Signal{
		{Shown: scenarios.Shown{Limit: &scenarios.Limit{Of: scenarios.OfChange, Value: time.Second}}, Standing: math.NaN()},
		{Shown: scenarios.Shown{Limit: &scenarios.Limit{Of: scenarios.OfFirstPicture, Value: time.Second}}, Standing: 100},
	} {
		s.Shown.Signal.Name = "door"
		d.Signals = append([]study.Signal{s}, append(d.Signals, s)...)
	}
	require.Equal(t, want, worst(c))
	var b bytes.Buffer
	require.NoError(t, reports.CompareText(&b, c, reports.TextOptions{}))
	require.NotContains(t, b.String(), "worst with now: "+d.Name+" door")
}

// Without a limit of an age the period takes its place, and the report says so.
func TestWhyTheKeySignalIsIt(t *testing.T) {
	text := func(c *study.Comparison) string {
		var b bytes.Buffer
		require.NoError(t, reports.CompareText(&b, c, reports.TextOptions{}))
		return strings.Join(strings.Fields(b.String()), " ")
	}
	c := harvest()
	require.Contains(t, text(c), "cab speed, the signal closest to its limit on average")
	plan := scenarios.Plan{}
	plan.Receivers = []scenarios.Receiver{{Name: "cab", Shows: []scenarios.Shown{{Limit: &scenarios.Limit{Of: scenarios.OfChange}}}}}
	plan.Receivers[0].Shows[0].Signal.Name = "speed"
	for i := range c.Designs {
		c.Designs[i].Plan = &plan
	}
	require.Contains(t, text(c), "cab speed, the signal whose p99 is the most of its period on average")
}

// The verdict is a sentence.
func TestWordsOfAComparison(t *testing.T) {
	words := func(c *study.Comparison) (all []string) {
		var b bytes.Buffer
		require.NoError(t, reports.CompareJSON(&b, c))
		var read struct{ Pairs []struct{ Words string } }
		require.NoError(t, json.Unmarshal(b.Bytes(), &read))
		for _, p := range read.Pairs {
			all = append(all, p.Words)
		}
		return all
	}
	require.Equal(t, []string{
		"slow is fresher than now by 38.0 ms at p99, 31.0 to 45.0 ms; of 2 signals 0 fresher with now, 1 with slow, 0 not shown",
		// The half-width 7.5 ms comes down to 5 in 2.25 times the 40 minutes.
		"no difference shown between now and lost at p99: lost less now is -6.50 to 8.50 ms; 50 minutes more would show 5 ms (--replications 90); of 2 signals 0 fresher with now, 0 with lost, 1 not shown; but lost never shows cab fuel",
		"slow is fresher than lost by 39.0 ms at p99, 31.0 to 47.0 ms; of 2 signals 1 fresher with slow, 0 with lost, 0 not shown; but lost never shows cab fuel",
	}, words(harvest()))
	c := harvest()
	c.Pairs[0].Signals[0].P99 = apart(.2, .2, 0)
	c.Pairs[1].Key = -1
	require.Equal(t, "now and slow are equally fresh at p99 in all that was simulated", words(c)[0])
	require.True(t, strings.HasPrefix(words(c)[1], "now and lost cannot be compared at p99: too little was shown"))
}

// No line is wider than the page, however many designs there are and however long
// their names.
func TestComparisonsFitThePage(t *testing.T) {
	c := harvest()
	for len(c.Designs) < 20 {
		c.Designs = append(c.Designs, study.Design{Name: strings.Repeat("x", 24), Plan: c.Designs[0].Plan})
		c.Results = append(c.Results, c.Results[0])
	}
	c.Pairs = nil
	for a := range c.Designs {
		for b := a + 1; b < len(c.Designs); b++ {
			p := harvest().Pairs[(a+b)%3]
			p.A, p.B = a, b
			c.Pairs = append(c.Pairs, p)
		}
	}
	for _, c := range []*study.Comparison{c, harvest()} {
		var b bytes.Buffer
		require.NoError(t, reports.CompareText(&b, c, reports.TextOptions{}))
		for _, line := range strings.Split(b.String(), "\n") {
			require.LessOrEqual(t, len([]rune(line)), 80, line)
		}
	}
}
