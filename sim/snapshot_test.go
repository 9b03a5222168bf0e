package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Looks change nothing, and a look tells of every age what a run that ends at
// that instant tells: on every scenario that comes with the program.
func TestALookTellsWhatARunThatEndsThereTells(t *testing.T) {
	for _, b := range scenarios.Builtins() {
		t.Run(b.Name, func(t *testing.T) {
			plan, err := scenarios.Open(b.Name, nil)
			require.NoError(t, err)
			plan.Duration = 6 * time.Second
			if long() {
				plan.Duration = time.Minute
			}
			from, end := plan.Window()
			short := *plan
			short.Duration = plan.Duration * 2 / 3
			_, shortEnd := short.Window()
			plain, err := Run(plan, 1)
			require.NoError(t, err)
			ended, err := Run(&short, 1)
			require.NoError(t, err)
			var at []time.Duration
			for k := time.Duration(1); k*137*ms < shortEnd; k++ {
				at = append(at, k*137*ms)
			}
			at = append(at, shortEnd, end, end+1)
			seen := 0
			watched, err := Observe(plan, 1, at, func(s *Snapshot) {
				require.Equal(t, at[seen], s.At)
				seen++
				if s.At == shortEnd {
					requireSame(t, ended, s)
				}
				if s.At <= min(from[0], from[len(from)-1]) {
					require.Zero(t, s.Air)
				}
			})
			require.NoError(t, err)
			require.Equal(t, len(at)-2, seen, "looks at the end and beyond do not happen")
			require.Equal(t, plain, watched)
		})
	}
}

// A restart takes nothing out of what has been counted: a look after it tells of
// the bridge before it as well.
func TestALookAfterARestart(t *testing.T) {
	plan := bare(10*ms, 4*time.Second, radio.Weather{})
	plan.Resets = []bridge.Span{{From: 2 * time.Second, Until: 2500 * ms}}
	var before *Snapshot
	r, err := Observe(plan, 0, []time.Duration{1999 * ms, 2600 * ms, 4 * time.Second}, func(s *Snapshot) {
		var sum uint64
		for _, n := range s.FrameFates {
			sum += n
		}
		require.Equal(t, s.Frames, sum, "at %v", s.At)
		if before != nil {
			require.GreaterOrEqual(t, s.FrameFates[fate.FrameSent], before.FrameFates[fate.FrameSent])
			for i := range s.Stages {
				require.GreaterOrEqual(t, s.Stages[i].Busy, before.Stages[i].Busy)
				require.GreaterOrEqual(t, s.Stages[i].HighWater, before.Stages[i].HighWater)
			}
		}
		seen := *s
		before = &seen
	})
	require.NoError(t, err)
	require.InDelta(t, 50, r.FrameFates[fate.FrameBridgeDown], 1, "half a second of frames")
}

func requireSame(t *testing.T, ended *Replication, s *Snapshot) {
	t.Helper()
	require.Equal(t, ended.Air, s.Air)
	require.Equal(t, ended.Frames, s.Frames)
	for i, r := range ended.Receivers {
		for k, signal := range r.Signals {
			seen := s.Receivers[i].Signals[k]
			require.Equal(t, signal.Glass.Read(s.At), seen.Glass.Read(s.At))
			require.Equal(t, signal.Memory.Read(s.At), seen.Memory.Read(s.At))
			bounds := []time.Duration{50 * ms, 200 * ms, time.Second}
			require.Equal(t, signal.Glass.Within(0, bounds, nil), seen.Glass.Within(s.At, bounds, nil))
		}
	}
}
