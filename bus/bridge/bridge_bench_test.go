package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// usual is a bridge as one would build it, with twelve identifiers listed.
func usual(kind PolicyKind) Config {
	c := Config{
		Controller: Controller{Bytes: 64}, Pickup: Pickup{Latency: 10 * us, Cost: 10 * us}, QueueDepth: 32,
		Policy: Policy{Kind: kind, Hold: 50 * ms, Every: 50 * ms}, Layout: Layout{Version: 1, Set: 1},
		SendQueue: SendQueue{Depth: 32}, SendTimeout: 100 * ms, MaxPayload: 250,
		Airtime: func(n int) time.Duration { return 500*us + time.Duration(n)*8*us },
	}
	c.Policy.MinGap, c.Policy.Heartbeat, c.Policy.Slack = 20*ms, 200*ms, DefaultSlack(0.05)
	for i := range 12 {
		c.Forward = append(c.Forward, Forward{
			ID: bus.ID(0x100 + i), Length: 8,
			Need: Need{Views: []View{{Limit: time.Duration(200+100*i) * ms, Display: 131 * ms}, {Limit: 2 * time.Second, Display: 60 * ms}}, State: i%4 == 3},
		})
	}
	return c
}

// step offers one frame and lets the bridge do what is due before the next; what
// leaves is confirmed at once.
func step(b *Bridge, now *time.Duration, f *bus.Frame) {
	const gap = 500 * us
	*now += gap
	f.At, f.Released = *now, *now
	b.Offer(*now, f)
	for {
		due, ok := b.Due()
		if !ok || due >= *now+gap {
			return
		}
		if c, ok := b.Take(due); ok {
			b.Sent(due, c, true)
			c.Release()
		}
	}
}

// shapes are the bridges of the benchmarks and of the test that they allocate
// nothing.
func shapes() map[string]Config {
	limited, repeated := usual(Fill), usual(Each)
	limited.Limit = RateLimit{Broadcasts: 1000, Bytes: 1e5, AirShare: 0.5}
	repeated.Repeat = Repeat{Copies: 2, Spacing: 5 * ms}
	stalled := usual(Table)
	stalled.Stalls, stalled.Controller.Overrun = []Span{{ms, 2 * ms}}, OverwriteOldest
	grouped := usual(Table)
	grouped.Policy.ByLimits, grouped.Policy.Latch, grouped.Policy.Rotate = true, true, true
	simple, mixed := usual(Slack), usual(Slack)
	simple.Policy.Slack.Simple, simple.Policy.Slack.Power = true, 3
	mixed.Policies = []Policy{usual(Each).Policy, usual(Table).Policy}
	mixed.Repeat, mixed.Layout = Repeat{Copies: 2, Spacing: 5 * ms}, Layout{Kind: LayoutPacked, Version: 1, Tag: 8}
	for i := range mixed.Forward {
		mixed.Forward[i].Policy, mixed.Forward[i].Class = i%3, i%2
	}
	return map[string]Config{
		"change": usual(Change), "slack": usual(Slack), "slack simple": simple, "table grouped": grouped, "mix": mixed,
		"each": usual(Each), "fill": usual(Fill), "table": usual(Table), "fill limited": limited, "each repeated": repeated, "table stalled": stalled,
	}
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	for name, c := range shapes() {
		b, err := New(c)
		require.NoError(t, err)
		now, f := time.Duration(0), frame(0, 0)
		work := func() {
			for i := range 1000 {
				f.ID = bus.ID(0x100 + i%40)
				f.Data[0] = byte(i / 400)
				step(b, &now, &f)
			}
		}
		work()
		require.Zero(t, testing.AllocsPerRun(5, work), name)
	}
}

func BenchmarkUnlistedFrame(b *testing.B) {
	br, err := New(usual(Fill))
	require.NoError(b, err)
	now, f := time.Duration(0), frame(0, 0x7F0)
	b.ReportAllocs()
	for b.Loop() {
		step(br, &now, &f)
	}
}

// Every frame is listed: with fill 22 share a broadcast.
func BenchmarkListedFrame(b *testing.B) {
	for _, name := range []string{"each", "fill", "table", "fill limited", "each repeated", "table grouped", "change", "slack", "slack simple", "mix"} {
		b.Run(name, func(b *testing.B) {
			br, err := New(shapes()[name])
			require.NoError(b, err)
			now, f := time.Duration(0), frame(0, 0)
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				f.ID = bus.ID(0x100 + i%12)
				i++
				step(br, &now, &f)
			}
		})
	}
}

// One decision of slack over 12 records in the middle of their lives.
func BenchmarkSlackDecision(b *testing.B) {
	for _, name := range []string{"slack", "slack simple"} {
		b.Run(name, func(b *testing.B) {
			br, err := New(shapes()[name])
			require.NoError(b, err)
			now, f := time.Duration(0), frame(0, 0)
			for i := range 12 * 1000 {
				f.ID = bus.ID(0x100 + i%12)
				step(br, &now, &f)
			}
			p := br.streams[0].policy.(*slack)
			b.ReportAllocs()
			for b.Loop() {
				p.decide(now)
			}
		})
	}
}

func BenchmarkEncode(b *testing.B) {
	c := NewCodec(Layout{Version: 1, RecordAges: true}, layoutList())
	bytes, s := make([]byte, 0, 250), sample()
	b.ReportAllocs()
	for b.Loop() {
		bytes = c.Encode(bytes[:0], s)
	}
}

func BenchmarkDecode(b *testing.B) {
	c := NewCodec(Layout{Version: 1, RecordAges: true}, layoutList())
	bytes := c.Encode(nil, sample())
	var d Datagram
	b.ReportAllocs()
	for b.Loop() {
		if err := c.Decode(bytes, &d); err != nil {
			b.Fatal(err)
		}
	}
}
