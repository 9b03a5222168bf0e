package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

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
