package explain

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

const ms = time.Millisecond

// open reads a built-in scenario.
func open(t *testing.T, name string, sets ...string) *scenarios.Plan {
	t.Helper()
	plan, err := scenarios.Open(name, sets)
	require.NoError(t, err)
	return plan
}

// runs runs a few replications.
func runs(t *testing.T, plan *scenarios.Plan, n int) (all []*sim.Replication) {
	t.Helper()
	for i := range n {
		r, err := sim.Run(plan, i)
		require.NoError(t, err)
		all = append(all, r)
	}
	return all
}

// explained explains one signal of some replications.
func explained(t *testing.T, plan *scenarios.Plan, all []*sim.Replication, receiver, shown int) *Explanation {
	t.Helper()
	s := NewSearch(plan, receiver, shown)
	for _, r := range all {
		s.Add(r)
	}
	e, err := s.Explain(context.Background())
	require.NoError(t, err)
	return e
}

// designs are scenarios in which something of every kind goes wrong.
var designs = [][]string{
	{"orchard", "duration=8s"},
	{"orchard", "duration=8s", "bridge.policy=table", "weather.loss=20%"},
	{"orchard", "duration=8s", "bridge.policy=slack", "bridge.repeat.copies=2", "weather.loss=10%"},
	{"orchard", "duration=8s", "radio.profile=ble-legacy", "receivers.pillar.power_up=2s", "receivers.pillar.shows.ground_speed={limit: 1s, of: first_picture}"},
	{"orchard", "duration=8s", "bridge.forward=[128,140,1B0]", "receivers.tail.redraw=3s"},
	{"orchard", "duration=8s", "receivers.pillar.shows.ground_speed={at: memory, limit: 80ms}", "receivers.pillar.shows.beacon={at: memory, limit: 80ms}"},
	{"forward-everything", "duration=3s"},
	{"orchard", "duration=8s", "radio.profile=lora"},
}

// Whatever is explained, the trace finds what the run has measured, to the
// nanosecond, and the values of the story are in order.
func TestStoriesAgreeWithTheRun(t *testing.T) {
	kinds := map[Kind]int{}
	for _, d := range designs {
		plan := open(t, d[0], d[1:]...)
		all := runs(t, plan, 2)
		for i := range plan.Receivers {
			for k := range plan.Receivers[i].Shows {
				if i > 0 && k > 2 {
					continue
				}
				e := explained(t, plan, all, i, k)
				kinds[e.Kind]++
				where := fmt.Sprint(d, e.Receiver.Name, " ", e.Shown.Signal.Name, " ", e.Kind)
				requireStory(t, e, where)
			}
		}
	}
	for k := range Dark + 1 {
		require.NotZero(t, kinds[k], "nothing of kind %d was explained", k)
	}
}

func requireStory(t *testing.T, e *Explanation, where string) {
	t.Helper()
	switch e.Kind {
	case Nothing, Dark:
		require.False(t, e.Ended, where)
		return
	case Violation:
		require.Equal(t, e.Length, e.Until-e.From, where)
		require.GreaterOrEqual(t, e.From, e.Origin+e.Shown.Limit.Value, where)
	case Oldest:
		require.Equal(t, e.Length, e.Until-e.Origin, where)
	case Change:
		require.Equal(t, e.Worst.Change.Changed+e.Length, e.Until, where)
	case Start:
		require.Equal(t, e.Receiver.PowerUp+e.Length, e.Until, where)
	case Lost:
		require.Nil(t, e.Ender, where)
		require.NotEmpty(t, e.Lives, where)
	}
	if e.Before != nil {
		require.Equal(t, e.Origin, e.Before.ValidAt, where)
	}
	if e.Ended && e.Kind != Lost {
		require.NotNil(t, e.Ender, where)
		arrival := e.Ender.Glass
		if e.InMemory {
			arrival = e.Ender.Taken
		}
		require.Equal(t, e.Until, arrival, where)
	}
	for i, l := range e.Lives {
		require.LessOrEqual(t, l.ValidAt, l.Received, where)
		if i > 0 {
			require.Less(t, e.Lives[i-1].Frame, l.Frame, where)
		}
		for _, s := range l.Sendings {
			require.LessOrEqual(t, l.Received, s.Handed, where)
			require.LessOrEqual(t, s.Handed, e.Until, where)
		}
	}
}

// The terms that a trace tells, over the whole time with a value at the glass, are
// those of the run, as integers; the source is part of the wire.
func TestTermsAreThoseOfTheRun(t *testing.T) {
	for _, d := range designs[:4] {
		plan := open(t, d[0], d[1:]...)
		r := runs(t, plan, 1)[0]
		from, end := plan.Window()
		for i := range plan.Receivers {
			for k := range plan.Receivers[i].Shows {
				e := &Explanation{Plan: plan, Receiver: &plan.Receivers[i], Shown: &plan.Receivers[i].Shows[k]}
				signal := &r.Receivers[i].Signals[k]
				if !signal.Seen {
					continue // there is no age to take apart
				}
				begin := max(from[i], plan.Receivers[i].PowerUp+signal.First)
				got := terms{from: begin, until: end}
				require.NoError(t, trace(context.Background(), e, func(event *sim.Event) error {
					if event.Kind == sim.Passed && (event.Display == "" || event.Display == e.Receiver.Name) {
						got.pass(event)
					}
					return nil
				}))
				want := signal.Waterfall
				want[fate.StageWire] = want[fate.StageWire].Add(want[fate.StageSource])
				want[fate.StageSource] = got.sums[fate.StageSource]
				require.Equal(t, want, got.twice(), "%v %s", d, e.Shown.Signal.Name)
			}
		}
	}
}

// A story that can be worked out by hand: a value every 100 ms, each sent at once
// and drawn at once, and nothing heard from 10.05 s to 10.55 s. The value of 10.0 s
// stays until that of 10.6 s comes; the five between are lost in the outage.
func TestAStoryByHand(t *testing.T) {
	plan := open(t, "orchard", "duration=20s", "bus.bit_errors=0", "bridge.policy=each", "radio.profile=ideal",
		"air.background.camera.share=0%", "weather.loss=0%", "weather.outages=[{from: 10050ms, until: 10550ms}]",
		"receivers.sprayer.weather.loss=0%", "receivers.sprayer.redraw.on_change=1ms", "receivers.sprayer.draw=1ms",
		"bus.messages.Spray.jitter=0s", "bus.messages.Spray.phase=0s")
	shown := 0
	for k, s := range plan.Receivers[1].Shows {
		if s.Signal.Name == "spray_pressure" {
			shown = k
		}
	}
	e := explained(t, plan, runs(t, plan, 1), 1, shown)
	require.Equal(t, Violation, e.Kind)
	require.Equal(t, 400*ms, e.From-e.Origin)
	lost := 0
	for _, l := range e.Lives {
		for _, s := range l.Sendings {
			if s.Fate == fate.RecordOutage {
				lost++
			}
		}
	}
	require.Equal(t, 5, lost)
	require.Len(t, e.Lives, 6)
	require.Same(t, e.Lives[5], e.Ender)
	require.InDelta(t, 600*ms, e.Ender.ValidAt-e.Origin, float64(ms), "the node's clock drifts")
	require.Equal(t, e.Ender, e.FirstTaken())
}

// A context that ends stops the repetition.
func TestExplainEndsWithItsContext(t *testing.T) {
	plan := open(t, "orchard", "duration=1s")
	s := NewSearch(plan, 0, 0)
	s.Add(runs(t, plan, 1)[0])
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := s.Explain(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

// Of two replications that are equally bad the first counts, and a worse kind
// counts before a longer time.
func TestTheWorstOfSeveralReplications(t *testing.T) {
	plan := open(t, "orchard", "duration=4s", "weather.loss=30%", "weather.burst=200ms")
	all := runs(t, plan, 4)
	id := plan.Receivers[0].Shows[0].ID
	require.NotEqual(t, bus.ID(0), id)
	s := NewSearch(plan, 0, 0)
	longest, of := time.Duration(0), 0
	for i, r := range all {
		s.Add(r)
		if l := r.Receivers[0].Signals[0].Glass.Longest(); l > longest {
			longest, of = l, i
		}
		require.Equal(t, longest, s.Worst().Length)
		require.Equal(t, of, s.Worst().Replication)
	}
}

// At a gap of a capture everything that is held is void: a time over the limit ends
// there, with no value that ended it.
func TestAStoryEndsAtAGap(t *testing.T) {
	var b strings.Builder
	b.WriteString("timestamp,arbitration_id,extended,data\n")
	for i := range 1500 {
		at := time.Duration(i) * 20 * ms
		if at >= 20*time.Second {
			at += 10 * time.Second
		}
		fmt.Fprintf(&b, "%d.%09d,100,0,%02x00\n", at/time.Second, at%time.Second, i%256)
	}
	path := filepath.Join(t.TempDir(), "drive.csv")
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
	text := fmt.Sprintf(`
duration: 28s
bus:
  capture: {file: %q, loop: false}
  messages: {M0: {id: 100, signals: {speed: {start: 0, bits: 8}}}}
bridge: {forward: [100]}
receivers: {dial: {shows: {speed: 1ms}}}
`, path)
	plan, err := scenarios.Load("replayed", []byte(text), nil)
	require.NoError(t, err)
	plan.Bus.Capture.Offsets = 0
	e := explained(t, plan, runs(t, plan, 1), 0, 0)
	require.Equal(t, Violation, e.Kind)
	require.False(t, e.Ended)
	require.False(t, e.AtEnd)
	require.InDelta(t, 20*time.Second, e.Until, float64(20*ms), "a replay cuts the gap out")
	require.Greater(t, e.Between, 100)
}
