package live

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"

	"stalegauge/scenarios"
)

// climb runs a ramp over a way that carries no more than a rate of datagrams.
func climb(t *testing.T, plan *scenarios.Plan, carries rate.Limit, c RampConfig) *Ramp {
	t.Helper()
	display, bus := newMemoryConn("display"), newMemoryConn("bridge")
	way := rate.NewLimiter(carries, max(1, int(carries/100)))
	bus.drop = func() bool { return !way.Allow() }
	l := NewListener(ListenerConfig{Plan: plan, Start: time.Now(), SameHost: yes})
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 2)
	go func() { done <- l.Listen(ctx, display) }()
	pace := rate.NewLimiter(rate.Limit(c.From), 1)
	var count atomic.Uint64
	go func() {
		_, err := Send(ctx, SenderConfig{Plan: plan, Span: 1000 * time.Hour, Pace: pace, Natural: 20, Count: &count, Outputs: []*Output{ToConn(bus, display)}})
		done <- err
	}()
	c.Plan = plan
	r := Climb(ctx, c, pace, count.Load, l.View)
	stop()
	require.NoError(t, <-done)
	require.NoError(t, <-done)
	return r
}

// The knee is found where the way, the display or the asked end puts it.
func TestTheRampFindsTheKnee(t *testing.T) {
	fast := []string{"receivers.pillar.handler=1us", "receivers.sprayer.handler=1us", "receivers.tail.handler=1us",
		"receivers.pillar.draw=1us", "receivers.sprayer.draw=1us", "receivers.tail.draw=1us"}
	for _, x := range []struct {
		name      string
		carries   rate.Limit
		sets      []string
		low, high float64
		ended     string
	}{
		{"a way that carries 1,500/s", 1500, fast, 1400, 1560, "lost"},
		{"a display that handles 500/s", rate.Inf, append(fast[:6:6], "receivers.tail.handler=2ms", "receivers.tail.queue=4"), 400, 510, "full queue of tail"},
		{"the end", rate.Inf, fast, 2000, 2000, "reached"},
	} {
		t.Run(x.name, func(t *testing.T) {
			plan := prepared(t, "orchard", Desk{Span: time.Hour}, x.sets...)
			synctest.Test(t, func(t *testing.T) {
				r := climb(t, plan, x.carries, RampConfig{From: 100, To: 2000, Step: 2 * time.Second, UntilLoss: 0.01})
				require.GreaterOrEqual(t, r.Knee, x.low, r.Ended)
				require.LessOrEqual(t, r.Knee, x.high, r.Ended)
				require.Contains(t, r.Ended, x.ended)
				for _, s := range r.Steps {
					require.InEpsilon(t, s.Asked, s.Achieved, 0.02)
				}
			})
		})
	}
}

// Values that grow stale end a ramp too: here a display that takes 300 ms to draw
// and shows a signal with a limit of 250 ms.
func TestTheRampEndsAtStaleness(t *testing.T) {
	plan := prepared(t, "orchard", Desk{Span: time.Hour}, "receivers.pillar.draw=300ms", "receivers.pillar.queue=1000",
		"receivers.pillar.redraw=300ms", "receivers.pillar.buffers=1000")
	synctest.Test(t, func(t *testing.T) {
		r := climb(t, plan, rate.Inf, RampConfig{From: 20, To: 40, Step: 5 * time.Second, UntilLoss: 0.01})
		require.Zero(t, r.Knee)
		require.Contains(t, r.Ended, "older than its limit")
		require.Contains(t, r.Steps[0].Stale, "pillar")
	})
}
