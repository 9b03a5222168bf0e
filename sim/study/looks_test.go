package study

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Replications are shown from inside by index, folded in order, and the answer is
// the one without looks.
func TestLooksAndFolds(t *testing.T) {
	plan, err := scenarios.Open("orchard", nil)
	require.NoError(t, err)
	plan.Duration, plan.Replications = 2*time.Second, 3
	plain, err := Run(context.Background(), plan, Options{})
	require.NoError(t, err)
	var lock sync.Mutex
	seen := map[int][]time.Duration{}
	var folded []int
	watched, err := Run(context.Background(), plan, Options{
		Looks:  []time.Duration{time.Second, 2500 * time.Millisecond},
		Folded: func(run *sim.Replication) { folded = append(folded, run.Index) },
		See: func(i int, s *sim.Snapshot) {
			lock.Lock()
			defer lock.Unlock()
			seen[i] = append(seen[i], s.At)
		},
	})
	require.NoError(t, err)
	// As text: figures that are not defined hold a NaN, which equals nothing.
	require.Equal(t, written(plain), written(watched))
	require.Equal(t, plain.FrameFates, watched.FrameFates)
	require.Equal(t, []int{0, 1, 2}, folded)
	for i := range 3 {
		require.Equal(t, []time.Duration{time.Second, 2500 * time.Millisecond}, seen[i])
	}
}
