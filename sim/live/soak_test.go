package live

import (
	"context"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"
)

// Memory stays flat however long it runs, and no goroutine is left behind. It mostly
// waits, and judges no instants: other tests that do the same run beside it.
func TestSoak(t *testing.T) {
	t.Parallel()
	span := pick(20*time.Second, 30*time.Minute)
	plan := prepared(t, "forward-everything", Desk{Span: time.Hour}, "bridge.policy.kind=each")
	s, to := listenOn(t, "127.0.0.1:0", "")
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	goroutines := runtime.NumGoroutine()
	l := NewListener(ListenerConfig{Plan: plan, Start: time.Now()})
	ctx, stop := context.WithTimeout(context.Background(), span)
	defer stop()
	heard, sent := make(chan error, 1), make(chan *Sent, 1)
	go func() { heard <- l.Listen(ctx, s) }()
	go func() {
		r, err := Send(ctx, SenderConfig{Plan: plan, Span: 1 << 60, Pace: rate.NewLimiter(1000, 2), Outputs: []*Output{out}})
		if err != nil {
			t.Error(err)
		}
		sent <- r
	}()
	time.Sleep(span / 4)
	before, first := inUse(), l.View().Counts.Own
	time.Sleep(span / 2)
	after, last := inUse(), l.View().Counts.Own
	require.Greater(t, last, first+uint64(span.Seconds()*100))
	require.Less(t, after, before+2<<20) // histograms get their octaves, each once
	r := <-sent
	require.NoError(t, <-heard)
	m := l.Finish(0)
	require.Equal(t, m.Counts.Datagrams, m.Counts.Sum())
	require.True(t, r.Stopped)
	for range 100 {
		if runtime.NumGoroutine() <= goroutines {
			break
		}
		time.Sleep(10 * ms)
	}
	require.LessOrEqual(t, runtime.NumGoroutine(), goroutines, "goroutines left behind")
}

// The same over half an hour of fake time, over which a leak of a few bytes for each
// datagram or frame would show.
func TestSoakInFakeTime(t *testing.T) {
	span := pick(20*time.Minute, 12*time.Hour)
	plan := prepared(t, "orchard", Desk{Span: span})
	synctest.Test(t, func(t *testing.T) {
		l := NewListener(ListenerConfig{Plan: plan, Start: time.Now(), SameHost: yes})
		start := time.Now()
		var before, after uint64
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) {
			require.NoError(t, l.Take(b, memoryAddr("bridge"), time.Now()))
			switch at := time.Since(start); {
			case before == 0 && at > span/3:
				before = inUse()
			case after == 0 && at > span-10*time.Second:
				after = inUse()
			}
		}
		_, err := Send(context.Background(), SenderConfig{Plan: plan, Span: span, Speed: 1, Outputs: []*Output{ToConn(conn, conn)}})
		require.NoError(t, err)
		require.NotZero(t, after)
		require.Less(t, after, before+256<<10)
	})
}
