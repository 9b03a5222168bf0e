package live

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"

	"stalegauge/sim/age"
)

// A bus of which every frame is a broadcast: what the sender costs beside a bare
// loop that writes the same datagrams.
func BenchmarkMax(b *testing.B) {
	plan := prepared(b, "forward-everything", Desk{Span: time.Minute}, "bridge.policy.kind=each")
	all, _ := simulated(b, plan, time.Minute)
	_, to := listenOn(b, "127.0.0.1:0", "")
	conn, out, err := Dial(to)
	require.NoError(b, err)
	defer conn.Close()
	b.Run("sender", func(b *testing.B) {
		b.ReportAllocs()
		left := b.N
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		counted := *out
		counted.Write = func(d []byte) error {
			if left--; left == 0 {
				stop()
			}
			return out.Write(d)
		}
		b.ResetTimer()
		sent, err := Send(ctx, SenderConfig{Plan: plan, Span: 1 << 60, Outputs: []*Output{&counted}})
		require.NoError(b, err)
		b.ReportMetric(float64(sent.Datagrams)/b.Elapsed().Seconds(), "datagrams/s")
	})
	b.Run("bare", func(b *testing.B) {
		data := make([][]byte, len(all))
		for i := range all {
			data[i] = []byte(all[i].data)
		}
		b.ReportAllocs()
		for i := range b.N {
			if _, err := conn.(*net.UDPConn).Write(data[i%len(data)]); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "datagrams/s")
	})
}

// How late a sender at 1,000 datagrams a second is beside a bare ticker.
func BenchmarkLateness(b *testing.B) {
	plan := prepared(b, "forward-everything", Desk{Span: time.Minute}, "bridge.policy.kind=each")
	tell := func(b *testing.B, p *age.Points) {
		b.ReportMetric(p.Quantile(.5)/1e3, "p50-us")
		b.ReportMetric(p.Quantile(.99)/1e3, "p99-us")
	}
	b.Run("sender", func(b *testing.B) {
		_, to := listenOn(b, "127.0.0.1:0", "")
		conn, out, err := Dial(to)
		require.NoError(b, err)
		defer conn.Close()
		left := b.N
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		write := out.Write
		out.Write = func(d []byte) error {
			if left--; left == 0 {
				stop()
			}
			return write(d)
		}
		sent, err := Send(ctx, SenderConfig{Plan: plan, Span: 1 << 60, Pace: rate.NewLimiter(1000, 1), Fine: true, Outputs: []*Output{out}})
		require.NoError(b, err)
		tell(b, &sent.Lateness)
	})
	b.Run("ticker", func(b *testing.B) {
		var late age.Points
		start := time.Now()
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for range b.N {
			<-tick.C
			// A slow reader misses ticks: the lateness counts from the nearest due one.
			late.Add(time.Since(start)%time.Millisecond, 1)
		}
		tell(b, &late)
	})
}

// What the listener costs a datagram.
func BenchmarkListener(b *testing.B) {
	for _, name := range []string{"orchard", "orchard/watched", "forward-everything"} {
		b.Run(name, func(b *testing.B) {
			scenario, _, watched := strings.Cut(name, "/")
			plan := prepared(b, scenario, Desk{Span: time.Minute})
			all, _ := simulated(b, plan, time.Minute)
			start := time.Unix(1_000_000, 0)
			var now time.Time
			l := NewListener(ListenerConfig{Plan: plan, SameHost: no, Wall: func() time.Time { return now }, Watched: watched})
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				lap := time.Duration(i/len(all)) * time.Minute
				now = start.Add(lap + all[i%len(all)].at)
				if err := l.Take([]byte(all[i%len(all)].data), memoryAddr("bridge"), now); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
