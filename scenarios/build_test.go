package scenarios

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// One text that uses every block, and what it becomes.
func TestEveryBlock(t *testing.T) {
	p := open(t, "testdata/rich.yaml")
	require.Len(t, p.Bus.Messages, 6)
	drive := p.Bus.Messages[0]
	require.Equal(t, &traffic.Events{OnChange: []int{1}, Every: 3 * time.Second, Group: 2, Spacing: 10 * ms, MinGap: 20 * ms, Heartbeat: 500 * ms}, drive.Events)
	require.Equal(t, &signal.Selector{Bits: 2}, drive.Selector)
	require.Equal(t, []int{0, 1, 0}, drive.Pages)
	require.Equal(t, traffic.PhaseFixed, drive.Phase)
	require.Equal(t, "filler-203", p.Bus.Messages[5].Name)

	require.Equal(t, []traffic.Episode{
		{Name: "day", At: time.Second},
		{Name: "night", At: 20 * time.Second, Storm: &traffic.Storm{Message: 2, Rate: 100}},
	}, p.Bus.Timeline)
	require.Equal(t, []Phase{{"start", 0}, {"day", time.Second}, {"night", 20 * time.Second}, {"late", 25 * time.Second}}, p.Phases)

	require.Equal(t, []bridge.Span{{From: time.Second, Until: 2 * time.Second}}, p.Bridge.Stalls)
	require.Equal(t, bridge.RandomStalls{Every: 10 * time.Second, Length: ms}, p.Bridge.Random)
	require.Equal(t, bridge.RateLimit{Broadcasts: 500, Bytes: 100_000, AirShare: 0.5, Burst: 20 * time.Second}, p.Bridge.Limit)
	require.Equal(t, 250, p.Bridge.MaxPayload)

	require.Equal(t, uint16(1), p.Bridge.Layout.Set)
	require.Equal(t, uint16(2), p.Neighbours[0].Bridge.Layout.Set)
	require.Equal(t, p.Receivers, p.Neighbours[0].Receivers)
}

// A page that is sent twice in three releases comes every 1.5 periods; a message
// without a period brings its heartbeat at least.
func TestUpdatePeriod(t *testing.T) {
	p := open(t, "testdata/rich.yaml", "receivers.dial.shows={mode: 1s, speed: 1s}")
	require.Equal(t, []time.Duration{20 * ms, 30 * ms}, []time.Duration{p.Receivers[0].Shows[0].Period, p.Receivers[0].Shows[1].Period})
	p = open(t, "testdata/rich.yaml", "bus.messages.Drive.period=none", "bus.messages.Drive.jitter=0")
	require.Equal(t, 500*ms, p.Receivers[0].Shows[0].Period)
}

// Displays may have different names for one signal, where another one beside it
// makes the shorter name ambiguous: its bits are sent once.
func TestOneSignalUnderTwoNames(t *testing.T) {
	const text = `
extends: river-ferry
bridge: {layout: {kind: packed}}
receivers:
  extra: {shows: {Ramps.ramp_angle@0: 2s}}
`
	plan, err := Load("ferry.yaml", []byte(text), nil)
	require.NoError(t, err)
	names := map[string]bool{}
	for _, r := range plan.Receivers {
		for _, s := range r.Shows {
			names[s.Signal.Name] = true
		}
	}
	require.True(t, names["ramp_angle"] && names["Ramps.ramp_angle@0"])
	for _, f := range plan.Bridge.Forward {
		seen := map[bridge.Field]bool{}
		for _, field := range f.Fields {
			require.False(t, seen[field], "%s: %v twice", f.ID, field)
			seen[field] = true
		}
	}
}

// A signal of several pages counts as shown where a display shows that page of it.
func TestForwardCostsTellPagesApart(t *testing.T) {
	plan, err := Open("river-ferry", nil)
	require.NoError(t, err)
	for _, c := range ForwardCosts(plan) {
		if c.Message == "Ramps" {
			require.Equal(t, []string{"ramp_angle@0", "ramp_load@0", "ramp_angle@1", "barrier"}, c.Shown)
			require.Equal(t, []string{"which_ramp", "ramp_load@1"}, c.Others)
			return
		}
	}
	t.Fatal("no entry for the ramps")
}
