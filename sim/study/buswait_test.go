package study

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
)

// Every frame of the run is in the table once, and none took longer than its bound.
func TestBusLatencyStaysBelowItsBound(t *testing.T) {
	plan, err := scenarios.Open("orchard", []string{"duration=5s"})
	require.NoError(t, err)
	r, err := Run(context.Background(), plan, Options{Replications: 3})
	require.NoError(t, err)
	require.Empty(t, r.BusOpen)
	require.Len(t, r.BusMessages, len(plan.Bus.Messages))
	frames, listed := uint64(0), 0
	for _, m := range r.BusMessages {
		frames += m.Frames
		require.True(t, m.Bounded)
		require.LessOrEqual(t, m.Max, m.Bound, m.ID)
		require.LessOrEqual(t, m.Mean, m.Max)
		if m.Listed {
			listed++
			require.Positive(t, m.Mean)
		}
	}
	require.Equal(t, r.Frames, frames)
	require.Equal(t, len(plan.Bridge.Forward), listed)
}

func TestBusLatencySaysWhatItsBoundsDoNotCover(t *testing.T) {
	plan, err := scenarios.Open("storm", []string{"duration=5s"})
	require.NoError(t, err)
	r, err := Run(context.Background(), plan, Options{Replications: 1})
	require.NoError(t, err)
	require.Len(t, r.BusOpen, 1)
	require.Contains(t, r.BusOpen[0], "storm")
}
