package sim

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// A display that hears nothing during a phase, and so has nothing to do, misses the
// broadcasts of that phase in it, and not in the one before.
func TestWhatASilentPhaseLosesIsItsOwn(t *testing.T) {
	plan := bare(100*ms, 9*time.Second, radio.Weather{Outages: []radio.Span{{From: 4 * time.Second, Until: time.Hour}}})
	plan.Phases = []scenarios.Phase{{Name: "near"}, {Name: "away", From: 4 * time.Second}, {Name: "still away", From: 7 * time.Second}}
	r, err := Run(plan, 0)
	require.NoError(t, err)
	near, away, still := r.Phases[0].Receivers[0].RecordFates, r.Phases[1].Receivers[0].RecordFates, r.Phases[2].Receivers[0].RecordFates
	require.InDelta(t, 40, near[fate.RecordTaken], 1)
	require.Zero(t, near[fate.RecordOutage])
	require.Zero(t, away[fate.RecordTaken]+still[fate.RecordTaken])
	require.InDelta(t, 30, away[fate.RecordOutage], 1)
	require.InDelta(t, 30, still[fate.RecordOutage], 1)
	require.Equal(t, r.Receivers[0].RecordFates[fate.RecordOutage], away[fate.RecordOutage]+still[fate.RecordOutage])
}

// A vehicle that comes into range late keeps to its share of the air from the first
// second on: the time before it was no silence that its bridge had to make up for.
func TestALateNeighbourKeepsToItsShare(t *testing.T) {
	plan := onRadio(t, bare(20*ms, 90*time.Second, radio.Weather{}), radio.Settings{Name: "action-frame"})
	late := plan.Vehicle
	late.Bridge.Forward = slices.Clone(late.Bridge.Forward)
	late.Bridge.Forward[0].Need.Period = 20 * ms
	late.Bridge.Policy = bridge.Policy{Kind: bridge.Slack, Slack: bridge.DefaultSlack(0.02)}
	plan.Neighbours = []scenarios.Neighbour{{Name: "late", Count: 1, From: 60 * time.Second, Until: 70 * time.Second, Vehicle: late}}
	r, err := Run(plan, 0)
	require.NoError(t, err)
	own := r.Neighbours[0].Own.Seconds() / 10 // the price is on its way from that of the start
	require.Greater(t, own, 0.005)
	require.Less(t, own, 0.025)
}
