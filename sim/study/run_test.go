package study

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

var tractor = display{period: 100 * time.Millisecond, toBad: .05, out: .45, updates: 300, limit: 400 * time.Millisecond, quantile: .95, seed: 1}

// written is a result in text, without the plan; what it points to stands in place
// of the pointers.
func written(r *Result) string {
	c := *r
	c.Plan = nil
	var text strings.Builder
	c.Receivers = nil
	for _, d := range r.Receivers {
		for _, s := range d.Signals {
			fmt.Fprintf(&text, "%+v %+v %+v %+v\n", s.Shown.Limit, s.Values, s.Deadlines, s.Expiry)
			s.Shown.Limit, s.Values, s.Deadlines, s.Expiry = nil, nil, nil, nil
			fmt.Fprintf(&text, "%+v\n", s)
		}
		d.Signals = nil
		fmt.Fprintf(&text, "%+v\n", d)
	}
	for i := range c.Entries {
		c.Entries[i].Policy = nil
	}
	return fmt.Sprintf("%s%+v", text.String(), c)
}

func TestTheNumberOfWorkersChangesNothing(t *testing.T) {
	var first string
	for _, workers := range []int{1, 2, 3, 8, 50, 0} {
		r, err := Run(context.Background(), tractor.plan(25), Options{replicate: tractor.run, Workers: workers, Version: "v"})
		require.NoError(t, err)
		if first == "" {
			first = written(r)
		}
		require.Equal(t, first, written(r), "%d workers", workers)
	}
}

func TestReplicationsAreFoldedInOrderAndDropped(t *testing.T) {
	var begun, folded, most atomic.Int64
	var seen []int
	slowFirst := func(plan *scenarios.Plan, i int) (*sim.Replication, error) {
		alive := begun.Add(1) - folded.Load()
		for m := most.Load(); alive > m && !most.CompareAndSwap(m, alive); m = most.Load() {
		}
		if i == 0 {
			time.Sleep(20 * time.Millisecond) // all others must wait for it, not pile up
		}
		return tractor.run(plan, i)
	}
	_, err := Run(context.Background(), tractor.plan(40), Options{replicate: slowFirst, Workers: 4, Progress: func(done, atMost int) {
		folded.Add(1)
		seen = append(seen, done)
		require.Equal(t, 40, atMost)
	}})
	require.NoError(t, err)
	require.Len(t, seen, 40)
	for i, done := range seen {
		require.Equal(t, i+1, done)
	}
	// Twice the workers, and one whose slot is free but which is not yet counted.
	require.LessOrEqual(t, most.Load(), int64(2*4+1))
}

func TestTheErrorOfTheLowestReplicationIsReturned(t *testing.T) {
	failing := func(plan *scenarios.Plan, i int) (*sim.Replication, error) {
		switch i {
		case 3:
			time.Sleep(5 * time.Millisecond)
			return nil, errors.New("replication 3: the pump ran dry")
		case 4, 5, 6:
			return nil, fmt.Errorf("later")
		}
		return tractor.run(plan, i)
	}
	r, err := Run(context.Background(), tractor.plan(10), Options{replicate: failing, Workers: 4})
	require.EqualError(t, err, "replication 3: the pump ran dry")
	require.Nil(t, r)
}

func TestAnEndedContextReturnsWhatIsFolded(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	r, err := Run(ctx, tractor.plan(1000), Options{replicate: tractor.run, Progress: func(done, _ int) {
		if done == 7 {
			cancel()
		}
	}})
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, 7, r.Replications)
	whole, err := Run(context.Background(), tractor.plan(7), Options{replicate: tractor.run})
	require.NoError(t, err)
	require.Equal(t, written(whole), written(r))

	r, err = Run(ctx, tractor.plan(5), Options{replicate: tractor.run})
	require.ErrorIs(t, err, context.Canceled)
	require.Nil(t, r)
}

func TestWrongOptionsAreErrors(t *testing.T) {
	for _, o := range []Options{{Replications: -1}, {Workers: -1}, {Precision: -.1}} {
		_, err := Run(context.Background(), tractor.plan(3), o)
		require.EqualError(t, err, "replications, workers and precision must not be negative")
	}
	_, err := Run(context.Background(), tractor.plan(0), Options{})
	require.EqualError(t, err, "0 replications: at least 1 is needed")
}

func TestLooksStopWhenAllIsDecided(t *testing.T) {
	clear := tractor
	clear.quantile = .5 // far from the limit
	r, err := Run(context.Background(), clear.plan(1), Options{replicate: clear.run, Sequential: true})
	require.NoError(t, err)
	require.Equal(t, []int{10}, r.Looks)
	require.Equal(t, 10, r.Replications)
	require.InDelta(t, 1-.05/6, r.Confidence, 1e-15)

	// Asking for narrow means as well takes longer.
	precise, err := Run(context.Background(), clear.plan(1), Options{replicate: clear.run, Sequential: true, Precision: .03})
	require.NoError(t, err)
	require.Greater(t, precise.Replications, 10)
	s := precise.Receivers[0].Signals[0]
	for _, v := range []Value{s.Age.Mean, s.PeakAge.Mean, s.UpdateInterval.Mean} {
		require.LessOrEqual(t, (v.High-v.Low)/2/v.Value, .03/1.03+1e-12)
	}

	// A look is a run of that many replications, but for the wider intervals.
	fixed, err := Run(context.Background(), clear.plan(10), Options{replicate: clear.run})
	require.NoError(t, err)
	require.Nil(t, fixed.Looks)
	a, b := fixed.Receivers[0].Signals[0].Age.Mean, r.Receivers[0].Signals[0].Age.Mean
	require.Equal(t, a.Value, b.Value)
	require.InDelta(t, StudentT(9, .05/6)/StudentT(9, .05), (b.High-b.Value)/(a.High-a.Value), 1e-9)
}

func TestFiguresOfTheWholeRun(t *testing.T) {
	plan := tractor.plan(6)
	r, err := Run(context.Background(), plan, Options{replicate: tractor.run, Version: "1.2"})
	require.NoError(t, err)
	require.Same(t, plan, r.Plan)
	require.Equal(t, "1.2", r.Version)
	require.Equal(t, .95, r.Confidence)
	require.Equal(t, 30., r.Duration)
	require.Equal(t, 6*50., r.Simulated)
	require.EqualValues(t, 1800, r.Frames)
	require.Equal(t, Value{true, true, 6, 6, 6}, r.FramesPerSecond)
	require.InDelta(t, .06, r.BusLoad.Value, 1e-12)
	require.Equal(t, []BridgeStage{{Name: "pickup", HasLoad: true, Load: .12, HighWater: 2, Unit: "frames"}}, r.Stages)
	require.InDelta(t, .05, r.OwnShare.Value, 1e-12)
	require.InDelta(t, .1, r.OwnOccupancy.Value, 1e-12)
	require.Equal(t, 2., r.RecordsPerBroadcast.Value)
	require.InDelta(t, 10, r.BroadcastsPerSecond.Value, 1e-12)

	s := r.Receivers[0].Signals[0]
	require.True(t, s.WaterfallOpen)
	var sum float64
	for _, term := range s.Waterfall {
		sum += term
	}
	require.InDelta(t, s.Age.Mean.Value, sum, 1e-12)
	require.Equal(t, 180., s.Observed)
	require.Equal(t, Value{true, true, 0, 0, 0}, s.UnknownShare)
	require.Less(t, s.FloorMean.Value, s.Age.Mean.Value)
	require.InDelta(t, .05, s.FloorMean.Value, .001)
	require.Equal(t, s.Age, s.MemoryAge)
	require.Zero(t, s.Latency.P99.Value)
}

func TestFirstPictures(t *testing.T) {
	var p pictures
	for i := range 10 {
		p.add(&sim.ReceiverRun{Window: time.Second, Filled: true, FirstPicture: time.Duration(i+1) * 64})
	}
	s := p.statistic(.05)
	require.InDelta(t, 5.5*64e-9, s.Mean.Value, 1e-15)
	// The median of ten lies between the 2nd and the 9th (97.9 %, printed tables).
	require.InDelta(t, 5*64e-9, s.P50.Value, 1e-15)
	require.InDelta(t, 2*64e-9, s.P50.Low, 1e-15)
	require.InDelta(t, 9*64e-9, s.P50.High, 1e-15)
	require.InDelta(t, 10*64e-9, s.P95.Value, 1e-15)
	require.NotEqual(t, s.P95.High, s.P95.High, "ten starts do not bound it: NaN")
	require.Equal(t, 10., s.Max.Observed)

	p.add(&sim.ReceiverRun{Window: time.Second})
	s = p.statistic(.05)
	require.False(t, s.Mean.Defined, "one never came")
	require.InDelta(t, 6*64e-9, s.P50.Value, 1e-15)
	require.False(t, s.P95.Defined)
	require.Equal(t, Statistic{}, new(pictures).statistic(.05))
}

func TestPhasesHaveFiguresOfTheirOwn(t *testing.T) {
	split := func(plan *scenarios.Plan, i int) (*sim.Replication, error) {
		run, err := tractor.run(plan, i)
		glass := run.Receivers[0].Signals[0].Glass
		quiet := age.NewTrack(tractor.limit)
		quiet.Open(0, 0)
		quiet.Close(10 * time.Second)
		run.Phases = []sim.PhaseRun{
			{Name: "rows", From: 0, Until: 30 * time.Second, Air: run.Air, Receivers: []sim.PhaseReceiver{{Window: 30 * time.Second, Glass: []*age.Track{glass}}}},
			{Name: "shed", From: 30 * time.Second, Until: 50 * time.Second, Receivers: []sim.PhaseReceiver{{Window: 20 * time.Second, Glass: []*age.Track{quiet}}}},
		}
		run.Phases[1].Receivers[0].RecordFates[fate.RecordFaded] = 3
		return run, err
	}
	r, err := Run(context.Background(), tractor.plan(5), Options{replicate: split})
	require.NoError(t, err)
	whole, rows, shed := r.Receivers[0].Signals[0], r.Phases[0], r.Phases[1]
	require.Equal(t, whole.Age, rows.Receivers[0].Signals[0].Age)
	require.Equal(t, whole.OverLimit, rows.Receivers[0].Signals[0].OverLimit)
	require.Equal(t, r.OwnShare, rows.OwnShare)
	require.Equal(t, [3]any{"shed", 30., 50.}, [3]any{shed.Name, shed.From, shed.Until})
	require.EqualValues(t, 15, shed.Receivers[0].RecordFates[fate.RecordFaded])
	require.Equal(t, .5, shed.Receivers[0].Signals[0].UnknownShare.Value)
	require.Equal(t, 5., shed.Receivers[0].Signals[0].Age.Mean.Value)
	require.InDelta(t, .96, shed.Receivers[0].Signals[0].OverLimit.Value, 1e-12)
	require.False(t, shed.OwnShare.Defined, "nothing of the air was measured")
}

// The identifier layout writes identifier 2 or 4, length 1 and the data.
func TestRecordSizesComeFromTheEncoder(t *testing.T) {
	plan := tractor.plan(2)
	speed, err := bus.ParseID("120")
	require.NoError(t, err)
	lift, err := bus.ParseID("18FF0102")
	require.NoError(t, err)
	plan.Bridge.Forward = []bridge.Forward{{ID: speed, Length: 8}, {ID: lift, Length: 3}}
	r, err := Run(context.Background(), plan, Options{replicate: tractor.run})
	require.NoError(t, err)
	require.Len(t, r.Entries, 2)
	require.Equal(t, "120", r.Entries[0].ID)
	require.Equal(t, 11, r.Entries[0].Bytes)
	require.Equal(t, "18FF0102", r.Entries[1].ID)
	require.Equal(t, 8, r.Entries[1].Bytes)
}

func BenchmarkFold(b *testing.B) {
	world := tractor
	run, _ := world.run(nil, 1)
	p := newPool(world.plan(1))
	p.add(run)
	b.ReportAllocs()
	for b.Loop() {
		p.add(run)
	}
}

// BenchmarkWorkers is a whole run of the default scenario on one and on two
// cores, in ns of wall time per bus frame; the second one also says how many times
// as fast it is as the first.
func BenchmarkWorkers(b *testing.B) {
	plan, err := scenarios.Open("orchard", []string{"duration=120s"})
	require.NoError(b, err)
	alone := 0.0
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprint(workers), func(b *testing.B) {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers)) // one core folds and collects garbage too
			var frames uint64
			for b.Loop() {
				r, err := Run(context.Background(), plan, Options{})
				require.NoError(b, err)
				frames += r.Frames
			}
			each := float64(b.Elapsed().Nanoseconds()) / float64(frames)
			b.ReportMetric(each, "ns/frame")
			if workers == 1 {
				alone = each
			} else if alone > 0 {
				b.ReportMetric(alone/each, "times")
			}
		})
	}
}
