package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

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
