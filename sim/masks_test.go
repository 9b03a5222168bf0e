package sim

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

func shortOrchard(t *testing.T, sets ...string) *scenarios.Plan {
	t.Helper()
	plan, err := scenarios.Open("orchard", append([]string{"duration=5s"}, sets...))
	require.NoError(t, err)
	return plan
}

// With masks that hold the forward list exactly every frame that was not listed
// is masked, the processor works a tenth, and what was sent is the same.
func TestMasksInARun(t *testing.T) {
	plain, err := Run(shortOrchard(t), 0)
	require.NoError(t, err)
	masked, err := Run(shortOrchard(t, "bridge.controller={shape: two-masks, masks: auto}"), 0)
	require.NoError(t, err)
	require.Equal(t, plain.Frames, masked.Frames)
	require.Zero(t, masked.FrameFates[fate.FrameNotListed])
	// A frame in work at the end is inside in one run and masked in the other.
	require.InDelta(t, plain.FrameFates[fate.FrameNotListed], masked.FrameFates[fate.FrameMasked], 3)
	require.Equal(t, plain.FrameFates[fate.FrameSent], masked.FrameFates[fate.FrameSent])
	require.InEpsilon(t, float64(plain.Stages[1].Busy)*191/1935, float64(masked.Stages[1].Busy), 0.02)
}

// A wanted identifier that given masks turn away is never shown.
func TestMasksThatTurnAwayWhatIsShown(t *testing.T) {
	run, err := Run(shortOrchard(t, "bridge.controller={shape: one-code-single, masks: [24000000, 000FFFFF]}"), 0)
	require.NoError(t, err)
	require.NotZero(t, run.Receivers[0].Signals[0].Glass.Observed(), "ground speed is on identifier 120")
	require.Zero(t, run.Receivers[0].Signals[1].Glass.Observed(), "motor power is on 140")
}

// How long the controller lasts grows with what the masks turn away, and a run
// with one stall of that length at any instant loses nothing.
func TestOverruns(t *testing.T) {
	plan := shortOrchard(t, "bridge.controller={shape: two-masks, masks: auto}")
	bare := plan.Bridge.Controller
	bare.Masks = nil
	runs, span, err := Overruns(plan, bare, plan.Bridge.Controller)
	require.NoError(t, err)
	_, end := plan.Window()
	require.Equal(t, end, span)
	require.Greater(t, runs[1].Least, 5*runs[0].Least)
	require.Greater(t, runs[1].Mean, 5*runs[0].Mean)
	again, _, err := Overruns(plan, bare, plan.Bridge.Controller)
	require.NoError(t, err)
	require.Equal(t, runs, again)

	for _, at := range []time.Duration{time.Second, 1500 * time.Millisecond, 2345 * time.Millisecond} {
		until := at + runs[1].Least
		stall := fmt.Sprintf("bridge.pickup={latency: 0, stalls: [{from: %dns, until: %dns}]}", at, until)
		run, err := Run(shortOrchard(t, "bridge.controller={shape: two-masks, masks: auto}", stall), 0)
		require.NoError(t, err)
		require.Zero(t, run.FrameFates[fate.FrameOverrun])
	}
}
