package sim

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// share is the share of the records sent to the only display that had a fate.
func share(r *Replication, f fate.Record) float64 {
	return float64(r.Receivers[0].RecordFates[f]) / float64(r.Records)
}

// A handler that takes 50 ms behind broadcasts every 40 ms: the queue of 8 fills up
// and stays full, so that a broadcast waits for 8 others, about 400 ms, and every
// fifth is dropped, 1 - 40/50.
func TestASlowHandlerFillsItsQueue(t *testing.T) {
	plan := bare(40*ms, 100*time.Second, independent(0))
	w := &plan.Receivers[0]
	w.Handler, w.Queue = 50*ms, 8
	r, err := Run(plan, 0)
	require.NoError(t, err)
	require.InDelta(t, 0.2, share(r, fate.RecordQueueFull), 0.01)
	s := r.Receivers[0].Signals[0]
	latency := time.Duration(s.Glass.Latencies().Mean())
	require.InDelta(t, 8*50+50, latency.Milliseconds(), 30, "eight waiting and the handler's own time")
}

// A radio that listens 75 of every 200 ms, at a random phase, hears 37.5 %.
func TestListeningInWindows(t *testing.T) {
	plan := bare(7*ms, 1000*time.Second, independent(0))
	w := &plan.Receivers[0].Weather
	w.Listen, w.ListenEvery = 75*ms, 200*ms
	r, err := Run(plan, 0)
	require.NoError(t, err)
	require.InDelta(t, 0.625, share(r, fate.RecordNotListening), 0.002)
}

// bursts is a bus on which six frames come at Poisson instants, 17.5 times a second,
// at least half a millisecond apart.
type bursts struct {
	dice *rand.Rand
	next time.Duration
	left int
	last time.Duration
}

func (s *bursts) Next(f *bus.Frame) bool {
	if s.left == 0 {
		s.next += time.Duration(s.dice.ExpFloat64() / 17.5 * 1e9)
		s.left = 6
		s.last = max(s.last, s.next)
	}
	s.left--
	s.last += 500 * time.Microsecond
	*f = bus.Frame{At: s.last, Released: s.last, ID: 0x120, Length: 8, Message: -1}
	return true
}

// What a redraw of 31 ms in every 100 ms costs behind a queue of 1, 8 and 32: with
// one place five of six broadcasts of a burst that meets a redraw are lost, 0.31 x
// 5/6 of all; eight places hold one burst, but not two in the same redraw, the
// number of which is Poisson with mean 17.5/s x 31 ms.
func TestBurstsBehindARedraw(t *testing.T) {
	for depth, lost := range map[int]float64{1: 0.27, 8: 0.05, 32: 0} {
		t.Run(fmt.Sprint(depth), func(t *testing.T) {
			plan := bare(time.Second, 400*time.Second, independent(0))
			w := &plan.Receivers[0]
			w.Redraw, w.Draw, w.Handler, w.Queue = 100*ms, 31*ms, 150*time.Microsecond, depth
			d, err := newDriver(plan, 0)
			require.NoError(t, err)
			d.vehicles[0].source = &bursts{dice: rand.New(rand.NewPCG(5, 6))}
			d.run()
			require.InDelta(t, lost, share(d.result(0), fate.RecordQueueFull), 0.015)
		})
	}
}
