package live

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/sim"
)

// figures are what a look shows of one signal.
type figures struct{ observed, stale, unknown time.Duration }

// look reads every signal of a listener.
func look(t *testing.T, l *Listener) (h Heard, all []figures) {
	t.Helper()
	from, _ := l.config.Plan.Window()
	h = l.Look(func(i int, _ time.Duration, r *sim.ReceiverSnapshot) {
		require.Len(t, r.Signals, len(l.config.Plan.Receivers[i].Shows))
	}, func(i, _ int, now time.Duration, s sim.SignalSnapshot) {
		r := s.Glass.Read(now)
		all = append(all, figures{r.Observed, r.OverLimit, max(0, now-from[i]) - r.Observed})
	})
	return h, all
}

// keepLooking looks at both ends of a run until ctx ends: nothing goes back. It
// returns how often it has looked.
func keepLooking(ctx context.Context, t *testing.T, l *Listener, watch *Watch) (looks int) {
	var before []figures
	datagrams := uint64(0)
	for ctx.Err() == nil {
		time.Sleep(37 * ms)
		h, now := look(t, l)
		for i := range before {
			require.GreaterOrEqual(t, now[i].observed, before[i].observed)
			require.GreaterOrEqual(t, now[i].stale, before[i].stale)
			require.GreaterOrEqual(t, now[i].unknown, before[i].unknown)
		}
		sent := watch.Look()
		require.GreaterOrEqual(t, sent.Datagrams, datagrams)
		require.Equal(t, sent.Datagrams, sent.Outputs[0].Sent)
		require.Equal(t, sent.Datagrams, h.Counts.Datagrams)
		require.Equal(t, sent.Datagrams, sent.Lateness.Count())
		before, datagrams = now, sent.Datagrams
		looks++
	}
	return looks
}

// Looking changes nothing of what is measured, and what a look shows never goes
// back: not when a value is drawn between two looks, and not when the sender falls
// silent, during which every signal goes stale by the clock.
func TestLookingIsWithoutEffect(t *testing.T) {
	const span, silence = 8 * time.Second, 7 * time.Second
	// Displays that are busy with what has arrived for long after.
	plan := prepared(t, "orchard", Desk{Span: span, Handler: new(30 * ms), Draw: new(60 * ms)})
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		seen := NewListener(ListenerConfig{Plan: plan, Start: start, SameHost: yes, Watched: true})
		alone := NewListener(ListenerConfig{Plan: plan, Start: start, SameHost: yes})
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) {
			for _, l := range []*Listener{seen, alone} {
				require.NoError(t, l.Take(b, conn.name, time.Now()))
			}
		}
		var watch Watch
		require.Nil(t, watch.Look())
		ctx, stop := context.WithCancel(t.Context())
		var looking sync.WaitGroup
		looks := 0
		looking.Go(func() { looks = keepLooking(ctx, t, seen, &watch) })
		sent, err := Send(ctx, SenderConfig{Plan: plan, Span: span, Speed: 1, Start: start, Outputs: []*Output{ToConn(conn, conn)}, Watch: &watch})
		require.NoError(t, err)
		time.Sleep(silence - 2*time.Second)
		_, first := look(t, seen)
		time.Sleep(2 * time.Second)
		h, second := look(t, seen)
		for i := range first {
			require.Equal(t, first[i].observed+2*time.Second, second[i].observed)
			require.Equal(t, first[i].stale+2*time.Second, second[i].stale)
		}
		stop()
		looking.Wait()
		require.Greater(t, looks, 300)
		require.Equal(t, sent.Bridges, watch.Look().Bridges)
		require.Equal(t, sent.Span, watch.Look().Span)
		require.Equal(t, sent.Datagrams, h.Lateness.Count())
		want, got := alone.Finish(0), seen.Finish(0)
		require.Less(t, want.Span, span+quiet)
		require.Equal(t, want.Span, got.Span)
		require.Equal(t, want.Run, got.Run)
		require.Equal(t, want.Counts, got.Counts)
		require.Equal(t, want.Lateness, got.Lateness)
	})
}

// A look waits for neither the sender's sleep nor a write that hangs.
func TestALookDoesNotWaitForTheSender(t *testing.T) {
	plan := prepared(t, "orchard", Desk{Span: time.Hour})
	synctest.Test(t, func(t *testing.T) {
		var watch Watch
		hangs := make(chan struct{})
		out := &Output{Name: "stuck", Write: func([]byte) error { <-hangs; return nil }}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			_, _ = Send(ctx, SenderConfig{Plan: plan, Span: time.Hour, Speed: 1, Outputs: []*Output{out}, Watch: &watch})
		}()
		time.Sleep(time.Second)
		synctest.Wait()
		s := watch.Look()
		require.False(t, s.Ended)
		require.Zero(t, s.Datagrams)
		require.NotZero(t, s.Bridges[0].Broadcasts)
		require.Equal(t, time.Second, s.Elapsed)
		stop()
		close(hangs)
		<-done
		require.True(t, watch.Look().Ended)
	})
}

// Without a scenario, or when nobody said so before, there are counts and no displays.
func TestALookWithoutDisplays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		b.every(3)
		none := func(int, time.Duration, *sim.ReceiverSnapshot) { t.Error("a display") }
		h := b.l.Look(none, nil)
		require.True(t, h.Began)
		require.Equal(t, uint64(3), h.Counts.Heard)
		require.False(t, NewListener(ListenerConfig{}).Look(none, nil).Began)
	})
}
