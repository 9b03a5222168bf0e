package sim

import (
	"container/heap"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// twin drives the same models as driver in the usual way: one heap of closures,
// everything an event. It is what the speed of driver is measured against, and
// both must agree to the nanosecond. Its events are
//
//   - the release of a message, listed or not,
//   - the end of a frame on the bus,
//   - the bridge's next step: a listed frame's pick-up, a timer, a hand-over,
//   - the begin and the end of a transmission, and the arrivals of other senders,
//   - the end of a receiver's job, a queued arrival, the start and the end of a
//     redraw.
//
// Nothing in it is slow on purpose: an event that has become void is recognised
// by a version number and costs nothing more.
type twin struct {
	*driver
	v      *vehicle
	events twinHeap
	count  uint64

	bridgeVersion, airVersion int
	receiverVersion           []int
}

type twinEvent struct {
	at    time.Duration
	order uint8 // at equal instants: release, frame, bridge, air, receiver
	count uint64
	do    func()
}

type twinHeap []twinEvent

func (h twinHeap) Len() int      { return len(h) }
func (h twinHeap) Swap(i, k int) { h[i], h[k] = h[k], h[i] }
func (h twinHeap) Less(i, k int) bool {
	if h[i].at != h[k].at {
		return h[i].at < h[k].at
	}
	if h[i].order != h[k].order {
		return h[i].order < h[k].order
	}
	return h[i].count < h[k].count
}
func (h *twinHeap) Push(x any) { *h = append(*h, x.(twinEvent)) }
func (h *twinHeap) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}

func (w *twin) schedule(at time.Duration, order uint8, do func()) {
	w.count++
	heap.Push(&w.events, twinEvent{at, order, w.count, do})
}

func runTwin(plan *scenarios.Plan, replication int) (*Replication, error) {
	d, err := newDriver(plan, replication)
	if err != nil {
		return nil, err
	}
	d.lagging = nil // everything happens in order of time
	v := d.vehicles[0]
	w := &twin{driver: d, v: v}
	all := make([]bool, len(plan.Bus.Messages))
	for i := range all {
		all[i] = true
	}
	streams := scenarios.Streams{Seed: plan.Seed, Replication: uint64(replication)}
	v.source, err = plan.Bus.Source(streams, all, func(message, page int, at time.Duration) {
		w.schedule(at, 0, func() {
			if c := v.catalogue.message[message]; c != nil {
				c.pass(fate.StageSource, page, at, at, at)
			}
		})
	})
	if err != nil {
		return nil, err
	}
	w.run()
	d.finish()
	return d.result(replication), nil
}

// afterBridge schedules the bridge's next step; the one scheduled before is void.
func (w *twin) afterBridge() {
	w.bridgeVersion++
	version := w.bridgeVersion
	if due, ok := w.v.bridge.Due(); ok {
		w.schedule(due, 2, func() {
			if version == w.bridgeVersion {
				w.take(w.v, w.now)
				w.afterBridge()
				w.afterAir()
			}
		})
	}
}

// afterAir schedules what the medium does next.
func (w *twin) afterAir() {
	w.airVersion++
	version := w.airVersion
	if at, ok := w.channel.Next(); ok {
		w.schedule(at, 3, func() {
			if version == w.airVersion {
				w.air(w.now)
				w.afterAir()
				w.afterBridge()
				for i := range w.receivers {
					w.afterReceiver(i)
				}
			}
		})
	}
}

// afterReceiver schedules what a receiver does next.
func (w *twin) afterReceiver(i int) {
	w.receiverVersion[i]++
	version := w.receiverVersion[i]
	w.schedule(w.receivers[i].next(), 4, func() {
		if version == w.receiverVersion[i] {
			w.receivers[i].step(w.now)
			w.afterReceiver(i)
		}
	})
}

// endOfFrame offers a frame and schedules the next.
func (w *twin) endOfFrame() {
	w.frame(w.v)
	w.v.pull()
	w.schedule(w.v.frame.At, 1, w.endOfFrame)
	w.afterBridge()
}

func (w *twin) run() {
	w.receiverVersion = make([]int, len(w.receivers))
	w.table.reset(1)
	w.v.pull()
	w.schedule(w.v.frame.At, 1, w.endOfFrame)
	w.afterBridge()
	w.afterAir()
	for i := range w.receivers {
		w.afterReceiver(i)
	}
	for len(w.events) > 0 {
		e := heap.Pop(&w.events).(twinEvent)
		if e.at > w.end {
			return
		}
		w.passMarks(e.at)
		w.now = e.at
		e.do()
	}
}

// Pulled or pushed, the same models give the same run.
func TestTheTwinAgreesToTheNanosecond(t *testing.T) {
	plan := farmWork(20 * time.Second)
	for i := range 3 {
		want, err := runTwin(plan, i)
		require.NoError(t, err)
		got, err := Run(plan, i)
		require.NoError(t, err)
		require.Equal(t, want.FrameFates, got.FrameFates)
		require.Equal(t, want.Air, got.Air)
		for k := range want.Receivers {
			require.Equal(t, want.Receivers[k].RecordFates, got.Receivers[k].RecordFates)
			for s := range want.Receivers[k].Signals {
				a, b := want.Receivers[k].Signals[s], got.Receivers[k].Signals[s]
				require.Equal(t, a.Waterfall, b.Waterfall)
				require.Equal(t, a.Glass.TwiceArea(), b.Glass.TwiceArea())
				require.Equal(t, a.Glass.OverLimit(), b.Glass.OverLimit())
			}
		}
	}
}

// BenchmarkTwin is the baseline of BenchmarkRun.
func BenchmarkTwin(b *testing.B) {
	b.ReportAllocs()
	plan := farmWork(time.Minute)
	var frames uint64
	for b.Loop() {
		r, err := runTwin(plan, 0)
		if err != nil {
			b.Fatal(err)
		}
		frames += r.Frames
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
}
