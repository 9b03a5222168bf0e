package metrics

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

func frameWord(k int) string  { return fate.Frame(k).String() }
func recordWord(k int) string { return fate.Record(k).String() }

// tallied runs the default scenario with a tally of it.
func tallied(t *testing.T) (*study.Result, *Tally) {
	t.Helper()
	plan, err := scenarios.Open("orchard", []string{"bridge.policy.hold=300ms", "duration=20s", "replications=4"})
	require.NoError(t, err)
	tally := NewTally(plan, "live")
	r, err := study.Run(context.Background(), plan, study.Options{Folded: tally.Add, Progress: tally.Report})
	require.NoError(t, err)
	return r, tally
}

// A limit of changes makes no age stale.
func TestOnlyALimitOfTheAgeIsExported(t *testing.T) {
	plan, err := scenarios.Open("camper-lights", []string{"duration=5s", "replications=1"})
	require.NoError(t, err)
	tally := NewTally(plan, "live")
	_, err = study.Run(context.Background(), plan, study.Options{Folded: tally.Add})
	require.NoError(t, err)
	others := 0
	for i, d := range plan.Receivers {
		for k, s := range d.Shows {
			got := tally.Source()[0].Receivers[i].Signals[k]
			if s.AgeLimit() != nil {
				require.Equal(t, s.Limit.Value, got.Limit)
				continue
			}
			require.Zero(t, got.Limit+got.Stale)
			require.Zero(t, got.Violations)
			if s.Limit != nil {
				others++
			}
		}
	}
	require.Positive(t, others)
}

// What a server reads after the last replication is what the report says.
func TestTallyEndsAtTheReport(t *testing.T) {
	r, tally := tallied(t)
	s := tally.Source()[0]
	require.Equal(t, 4, s.Progress.Done)
	require.Equal(t, 4, s.Progress.AtMost)
	require.InDelta(t, r.Simulated, s.Progress.Simulated.Seconds(), 1e-9)
	require.Equal(t, r.FrameFates, s.Bridge.FrameFates)
	require.Equal(t, r.Frames, s.Bridge.Frames)
	require.InDelta(t, r.OwnShare.Value, float64(s.Air.Own)/float64(s.Air.Window), 1e-12)
	stale := 0.0
	for i, d := range r.Receivers {
		require.Equal(t, d.RecordFates, s.Receivers[i].RecordFates)
		for k := range d.Signals {
			want, got := &d.Signals[k], &s.Receivers[i].Signals[k]
			require.InDelta(t, want.Observed, got.Observed.Seconds(), 1e-9)
			require.InDelta(t, want.OverLimit.Value, got.Stale.Seconds()/got.Observed.Seconds(), 1e-12)
			require.InDelta(t, want.Age.Mean.Value, got.TwiceArea.Float64()/2/float64(got.Observed)/1e9, 1e-12)
			require.InDelta(t, want.Latency.Mean.Value, got.Latency.Sum.Float64()/float64(got.Latency.Count)/1e9, 1e-12)
			require.False(t, got.HasUpdate, "several runs have no common instant")
			stale += want.OverLimit.Value
		}
	}
	require.NotZero(t, stale)
}

// Reading while replications end is safe, and a snapshot does not change any more.
func TestTallyIsReadWhileItGrows(t *testing.T) {
	plan, err := scenarios.Open("orchard", []string{"duration=2s", "replications=20"})
	require.NoError(t, err)
	tally := NewTally(plan, "live")
	require.Nil(t, tally.Source()[0].Bridge, "nothing has ended")
	var readers sync.WaitGroup
	stop := make(chan struct{})
	readers.Add(1)
	go func() {
		defer readers.Done()
		for {
			s := tally.Source()[0]
			walk(s, func(*family, time.Duration, point, ...string) {})
			select {
			case <-stop:
				return
			default:
			}
		}
	}()
	_, err = study.Run(context.Background(), plan, study.Options{Folded: tally.Add, Progress: tally.Report})
	require.NoError(t, err)
	close(stop)
	readers.Wait()
	a := tally.Source()[0]
	before := a.Receivers[0].Signals[0].Within[3]
	tally.sum.Receivers[0].Signals[0].Within[3]++
	require.Equal(t, before, a.Receivers[0].Signals[0].Within[3])
}
