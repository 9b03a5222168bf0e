package study

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// What never happened in 20 changes has 0.139108 as its upper end (1 - 0.05^(1/20)),
// not 0, and what always happened the rest of it as its lower one.
func TestSharesOfChangesWithoutAnException(t *testing.T) {
	var p valuesPool
	for range 2 {
		p.add(&sim.ValueRun{Changes: sim.Changes{Count: 10, InTime: 10, Rises: 5, RisesSeen: 5}})
	}
	v := p.result(0.05)
	require.Zero(t, v.Never.Value)
	require.InDelta(t, 0.139108, v.Never.High, 5e-7)
	require.Equal(t, 1., v.InTime.Value)
	require.InDelta(t, 1-0.139108, v.InTime.Low, 5e-7)
	require.Equal(t, 1., v.InTime.High)
	require.InDelta(t, math.Pow(.05, .1), v.RisesSeen.Low, 1e-12)

	// 3 of 1,000 never, the same share in both replications: Wilson's interval.
	p = valuesPool{}
	p.add(&sim.ValueRun{Changes: sim.Changes{Count: 500, InTime: 497, Never: 1}})
	p.add(&sim.ValueRun{Changes: sim.Changes{Count: 500, InTime: 497, Never: 2}})
	w := Wilson(3, 1000, 0.05)
	never := p.result(0.05).Never
	require.LessOrEqual(t, never.Low, w.Low)
	require.GreaterOrEqual(t, never.High, w.High)
	require.InDelta(t, 0.006, 1-p.result(0.05).InTime.Value, 1e-12)
	require.InDelta(t, Wilson(6, 1000, 0.05).High, 1-p.result(0.05).InTime.Low, 1e-12)
}

// Runs of ten deadlines overlap, so that 30 of them say no more than 3 apart.
func TestRunsOfDeadlinesOverlap(t *testing.T) {
	var p deadlinesPool
	p.add(&sim.Deadlines{Count: 39, Windows: 30, Kept: 30})
	d := p.result(scenarios.Firm{Met: 8, Of: 10}, 0.05)
	require.InDelta(t, math.Pow(.05, 1./3), d.Kept.Low, 1e-12)
	require.InDelta(t, 1-math.Pow(.05, 1./39), d.Missed.High, 1e-12)
}

// No alarm in two hours: at most -ln 0.05 = 2.9957 of them, each as long as the
// episode that is assumed.
func TestAnExpiryThatNeverPassed(t *testing.T) {
	var p expiryPool
	for range 2 {
		run := &sim.ExpiryRun{Glass: age.NewTrack(time.Second), Floor: age.NewTrack(time.Second)}
		for _, track := range []*age.Track{run.Glass, run.Floor} {
			track.Open(0, 0)
			for at := 100 * time.Millisecond; at < time.Hour; at += 100 * time.Millisecond {
				track.Update(at, at)
			}
			track.Close(time.Hour)
		}
		p.add(run)
	}
	e := p.result(0.25, 0.05)
	require.Zero(t, e.FalseAlarm.Value)
	require.InDelta(t, 2.9957/2, e.FalseAlarm.High, 5e-5)
	require.InDelta(t, 2.9957*0.25/7200, e.False.High, 1e-8)
	require.Equal(t, e.False.High, e.Expired.High)
}

// A start counts when its value was seen, or when the run goes on for as long as the
// limit: what comes too late for the run need not come too late for the limit.
func TestStartsThatTheRunCutsShort(t *testing.T) {
	empty := age.NewTrack(0)
	for _, c := range []struct {
		limit   time.Duration
		verdict Verdict
		why     string
	}{{10 * time.Second, Missed, "100 % (88.3 % to 100 %) of the starts"}, {time.Hour, Undecided, "no start was followed for as long as the limit"}} {
		s := scenarios.Shown{Period: time.Second, Limit: &scenarios.Limit{Of: scenarios.OfFirstPicture, Quantile: .9, Value: c.limit}}
		plan := &scenarios.Plan{Duration: 10 * time.Second, Vehicle: scenarios.Vehicle{Receivers: []scenarios.Receiver{{Name: "dial", Shows: []scenarios.Shown{s}}}}}
		var runs []*sim.Replication
		for range 24 {
			runs = append(runs, &sim.Replication{Receivers: []sim.ReceiverRun{{Window: 10 * time.Second, Signals: []sim.SignalRun{{Glass: empty, Memory: empty, Floor: empty}}}}})
		}
		got := Of(plan, runs...).Receivers[0].Signals[0]
		require.Equal(t, c.verdict, got.Verdict)
		require.Contains(t, got.Why, c.why)
	}
}

// A value every 100 ms at a display whose redraw makes it 400 ms old passes up to that
// all the time and, as the bus sleeps for a minute once in two hours, 60.4 s once. An
// expiry below the 400 ms has false alarms, one that the sleep passes has none, and one
// just above what the bus passes has that one.
func TestTheExpiryThatIsNeeded(t *testing.T) {
	const period = 100 * time.Millisecond
	glass, floor := age.NewTrack(0), age.NewTrack(0)
	glass.Open(0, 0)
	floor.Open(0, 0)
	for k := time.Duration(1); k < 72_000; k++ {
		if at := k * period; at < time.Hour || at >= time.Hour+time.Minute {
			floor.Update(at, at)
			if k%4 == 0 {
				glass.Update(at, at)
			}
		}
	}
	glass.Close(2 * time.Hour)
	floor.Close(2 * time.Hour)
	require.InEpsilon(t, .4, expiryFor(glass, floor, period, .1), 1./64)
	require.InEpsilon(t, 60.4, expiryFor(glass, age.NewTrack(0), period, .1), 1./64, "on a bus that never was too old")
	require.GreaterOrEqual(t, expiryFor(glass, floor, period, 1e6), .2, "not below two periods")
	require.Zero(t, expiryFor(age.NewTrack(0), floor, period, 1))
}
