package sim

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// receptions writes what a message set puts on the bus as a capture with
// nanoseconds. The capture begins with a frame of an identifier that nobody
// forwards, at 0: the time of a capture counts from its first frame.
//
// Before each frame there may be one more, of an identifier that is not on the
// forward list.
func receptions(t *testing.T, plan *scenarios.Plan, unlisted bool) string {
	t.Helper()
	source, err := plan.Bus.Source(scenarios.Streams{Seed: plan.Seed}, nil, nil)
	require.NoError(t, err)
	var b strings.Builder
	b.WriteString("timestamp,arbitration_id,extended,data\n0.000000000,7f0,0,\n")
	_, end := plan.Window()
	for f := (bus.Frame{}); source.Next(&f) && f.At <= end+time.Second; {
		if at := f.At - 7*time.Microsecond; unlisted {
			fmt.Fprintf(&b, "%d.%09d,055,0,00\n", at/time.Second, at%time.Second)
		}
		fmt.Fprintf(&b, "%d.%09d,%x,0,%x\n", f.At/time.Second, f.At%time.Second, uint32(f.ID), f.Data[:f.Length])
	}
	path := filepath.Join(t.TempDir(), "receptions.csv")
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
	return path
}

// replay opens a capture as the traffic of a vehicle, from its first frame on.
func replay(t *testing.T, path string) *scenarios.CapturePlan {
	t.Helper()
	text := fmt.Sprintf(`
bus:
  capture: {file: %q, loop: false}
  messages: {M0: {id: 100, signals: {speed: {start: 0, bits: 8}}}}
bridge: {forward: [100]}
receivers: {dial: {shows: {speed: 1s}}}
`, path)
	plan, err := scenarios.Load("replayed", []byte(text), nil)
	require.NoError(t, err)
	plan.Bus.Capture.Offsets = 0
	return plan.Bus.Capture
}

// What is received is all that a bridge knows of a bus: a capture of a message
// set behaves as the message set from the pick-up to the glass. Only the way from
// the release to the reception is unknown to a capture, so that exactly this term
// is missing from its ages.
func TestReplayedReceptionsBehaveAsTheMessageSet(t *testing.T) {
	for name, policy := range map[string]bridge.Policy{
		"each":  {Kind: bridge.Each},
		"fill":  {Kind: bridge.Fill, Hold: 30 * ms},
		"table": {Kind: bridge.Table, Every: 30 * ms, Phase: 7 * ms},
	} {
		t.Run(name, func(t *testing.T) {
			set := small(policy)
			set.Bus.BitRate = 125_000 // a way through the bus that matters
			_, want := ages(t, set)
			replayed := *set
			replayed.Bus.Capture = replay(t, receptions(t, set, false))
			_, got := ages(t, &replayed)

			require.Equal(t, want.Air, got.Air)
			for i, w := range want.Receivers {
				g := got.Receivers[i]
				require.Equal(t, w.RecordFates, g.RecordFates)
				for k, s := range w.Signals {
					onBus := s.Waterfall[fate.StageWire]
					require.Equal(t, 1, onBus.Sign())
					require.Equal(t, s.Glass.TwiceArea().Sub(onBus), g.Signals[k].Glass.TwiceArea())
					s.Waterfall[fate.StageWire] = age.Int128{}
					require.Equal(t, s.Waterfall, g.Signals[k].Waterfall)
					require.Equal(t, s.Glass.Intervals(), g.Signals[k].Glass.Intervals())
				}
			}
		})
	}
}

// Behind the forward list nobody notices what is not on it.
func TestAnUnlistedIdentifierChangesNothing(t *testing.T) {
	for _, policy := range []bridge.Policy{
		{Kind: bridge.Each}, {Kind: bridge.Fill, Hold: 30 * ms}, {Kind: bridge.Table, Every: 30 * ms, Phase: 7 * ms},
		{Kind: bridge.Change, Heartbeat: 100 * ms}, {Kind: bridge.Slack, Slack: bridge.DefaultSlack(0.2)},
	} {
		plan := small(policy)
		plan.Bus.Capture = replay(t, receptions(t, plan, false))
		want, alone := ages(t, plan)
		plan.Bus.Capture = replay(t, receptions(t, plan, true))
		got, crowded := ages(t, plan)
		require.Equal(t, want, got)
		require.Equal(t, alone.Air, crowded.Air)
		require.Greater(t, crowded.FrameFates[fate.FrameNotListed], alone.FrameFates[fate.FrameNotListed])
	}
}

// A table whose period is that of its only message sends each value as soon as
// it is there, where the values come on the table's instants: as `each` does.
func TestTableOnTheGridIsEach(t *testing.T) {
	var b strings.Builder
	b.WriteString("timestamp,arbitration_id,extended,data\n")
	for i := range 400 {
		at := time.Duration(i) * 20 * ms
		fmt.Fprintf(&b, "%d.%09d,100,0,%02x00\n", at/time.Second, at%time.Second, i%256)
	}
	path := filepath.Join(t.TempDir(), "grid.csv")
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
	var want []age.Int128
	for _, policy := range []bridge.Policy{{Kind: bridge.Each}, {Kind: bridge.Table, Every: 20 * ms}} {
		plan := small(policy)
		plan.Bridge.Forward = plan.Bridge.Forward[:1]
		for i := range plan.Receivers {
			plan.Receivers[i].Shows = plan.Receivers[i].Shows[:1]
		}
		plan.Bus.Capture = replay(t, path)
		got, r := ages(t, plan)
		require.NotZero(t, r.Receivers[0].RecordFates[fate.RecordTaken])
		if want == nil {
			want = got
		}
		require.Equal(t, want, got)
	}
}
