package live

import (
	"context"
	"encoding/binary"
	"io"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// long reports whether the full counts were asked for.
func long() bool { return os.Getenv("STALEGAUGE_LONG") != "" }

// pick returns the short or the full count.
func pick[T any](short, full T) T {
	if long() {
		return full
	}
	return short
}

const ms = time.Millisecond

// prepared opens a scenario for a live run.
func prepared(t testing.TB, name string, d Desk, sets ...string) *scenarios.Plan {
	t.Helper()
	plan, err := scenarios.Open(name, sets)
	require.NoError(t, err)
	p, err := Prepare(plan, d)
	require.NoError(t, err)
	return p
}

// seen is a datagram and the instant at which it left.
type seen struct {
	at   time.Duration
	data string
}

// simulated returns the datagrams that the simulator sends within a span, with
// what became of the bus frames of each vehicle.
func simulated(t testing.TB, plan *scenarios.Plan, span time.Duration) (all []seen, r *sim.Replication) {
	t.Helper()
	codecs := []*bridge.Codec{}
	add := func(layout bridge.Layout, n int) {
		for k := range n {
			layout.Set += min(uint16(k), 1)
			codecs = append(codecs, bridge.NewCodec(layout, plan.Bridge.Forward))
		}
	}
	add(plan.Bridge.Layout, 1)
	for _, n := range plan.Neighbours {
		add(n.Bridge.Layout, n.Count)
	}
	r, err := sim.RunTapped(plan, 0, func(s sim.Sending) {
		if s.At <= span {
			all = append(all, seen{s.At, string(codecs[s.Vehicle].Encode(nil, s.Broadcast))})
		}
	})
	require.NoError(t, err)
	return all, r
}

// policySets are changes of a scenario that bring every policy, layout, repeat,
// limit and queue rule to work.
var policySets = map[string][]string{
	"as it is": nil,
	"each":     {"bridge.policy.kind=each"},
	"each with copies, limit and slots": {"bridge.policy.kind=each", "bridge.repeat.copies=3", "bridge.repeat.spacing=7ms",
		"bridge.limit.broadcasts=300/s", "bridge.layout.kind=slot"},
	"each that drops": {"bridge.policy.kind=each", "bridge.limit.bytes=3000/s", "bridge.limit.burst=100ms", "bridge.limit.on_limit=drop"},
	"each at a pace":  {"bridge.policy.kind=each", "bridge.pace=9ms", "bridge.send_queue.depth=4", "bridge.send_queue.full=drop-oldest"},
	"fill, packed":    {"bridge.policy.hold=20ms", "bridge.layout.kind=packed"},
	"table":           {"bridge.policy.kind=table", "bridge.policy.every=40ms"},
	"table, packed":   {"bridge.policy.kind=table", "bridge.policy.every=100ms", "bridge.layout.kind=packed", "bridge.pickup.tick=10ms"},
	"change":          {"bridge.policy.kind=change", "bridge.policy.min_gap=30ms", "bridge.policy.heartbeat=1s"},
	"slack":           {"bridge.policy.kind=slack", "bridge.policy.share=3%"},
	"signed":          {"bridge.layout.tag=8", "bridge.pickup.random_stalls.every=1s", "bridge.pickup.random_stalls.length=20ms"},
}

// What the sender puts on the wire is what the simulator puts on the air: byte for
// byte, in the same order, at the same instants, with the same fates of frames.
func TestTheSenderIsTheSimulator(t *testing.T) {
	span := pick(5*time.Second, time.Minute)
	missing := map[bridge.PolicyKind]bool{}
	for k := bridge.Each; k.String() != "unknown"; k++ {
		missing[k] = true
	}
	for _, sets := range policySets {
		delete(missing, prepared(t, "orchard", Desk{Span: span}, sets...).Bridge.Policy.Kind)
	}
	require.Empty(t, missing, "every policy that exists is compared")
	for name, sets := range policySets {
		t.Run(name, func(t *testing.T) { checkSender(t, "orchard", Desk{Span: span}, sets) })
	}
	for _, scenario := range []string{"forward-everything", "storm", "parked"} {
		t.Run(scenario, func(t *testing.T) { checkSender(t, scenario, Desk{Span: span}, nil) })
	}
	t.Run("several bridges", func(t *testing.T) { checkSender(t, "orchard", Desk{Span: span, Bridges: 5}, nil) })
}

func checkSender(t *testing.T, scenario string, d Desk, sets []string) {
	plan := prepared(t, scenario, d, sets...)
	want, prediction := simulated(t, plan, d.Span)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var got []seen
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) { got = append(got, seen{time.Since(start), string(b)}) }
		sent, err := Send(context.Background(), SenderConfig{
			Plan: plan, Span: d.Span, Speed: 1, Epoch: start, Outputs: []*Output{ToConn(conn, newMemoryConn("display"))},
		})
		require.NoError(t, err)
		require.NotEmpty(t, want)
		require.Len(t, got, len(want))
		for i := range want {
			require.Equal(t, want[i].data, got[i].data, "datagram %d", i)
			require.Equal(t, want[i].at, got[i].at, "datagram %d", i)
		}
		require.Equal(t, d.Span, time.Since(start))
		require.Zero(t, sent.Lateness.Max())
		require.Equal(t, uint64(len(want)), sent.Datagrams)
		require.Equal(t, sent.Datagrams, sent.Outputs[0].Sent)
		var sum uint64
		for _, n := range sent.Bridges[0].Fates {
			sum += n
		}
		require.Equal(t, sent.Bridges[0].Frames, sum)
		if prediction.Span == d.Span {
			require.Equal(t, prediction.Frames, sum)
			require.Equal(t, prediction.FrameFates, sent.Bridges[0].Fates)
		}
	})
}

// A mix of policies with classes, as a scenario file gives it.
func TestTheSenderIsTheSimulatorForAMix(t *testing.T) {
	plan, err := scenarios.Load("mix.yaml", []byte(`
extends: orchard
bridge:
  policies:
    slow: {kind: table, every: 250ms}
    lamps: {kind: change, heartbeat: 1s}
  forward:
    - {id: 120, class: 0}
    - {id: 128, class: 0, divide: 2}
    - {id: 140, cap: 5/s}
    - {id: 1A0, policy: slow}
    - {id: 1B0, policy: lamps, class: 0}
    - {id: 1C0, policy: slow}
    - {id: 240, policy: slow}
`), nil)
	require.NoError(t, err)
	p, err := Prepare(plan, Desk{Span: 5 * time.Second})
	require.NoError(t, err)
	want, _ := simulated(t, p, 5*time.Second)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var got []seen
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) { got = append(got, seen{time.Since(start), string(b)}) }
		_, err := Send(context.Background(), SenderConfig{
			Plan: p, Span: 5 * time.Second, Speed: 1, Epoch: start, Outputs: []*Output{ToConn(conn, conn)},
		})
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

// At four times the speed the same datagrams leave in a quarter of the time, with
// a quarter of the ages.
func TestAFasterClock(t *testing.T) {
	const span = 4 * time.Second
	plan := prepared(t, "orchard", Desk{Span: span})
	want, _ := simulated(t, plan, span)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		n := 0
		var a, b bridge.Datagram
		codec := bridge.NewCodec(plan.Bridge.Layout, plan.Bridge.Forward)
		conn := newMemoryConn("bridge")
		conn.wrote = func(data []byte) {
			require.Equal(t, want[n].at/4, time.Since(start))
			require.NoError(t, codec.Decode([]byte(want[n].data), &a))
			require.NoError(t, codec.Decode(data, &b))
			require.Equal(t, a.Sequence, b.Sequence)
			require.InDelta(t, a.SendTime/4, b.SendTime, 1)
			for i := range a.Records {
				require.InDelta(t, float64(a.Records[i].Age)/4, float64(b.Records[i].Age), 1)
				require.Equal(t, a.Records[i].Data, b.Records[i].Data)
			}
			n++
		}
		_, err := Send(context.Background(), SenderConfig{
			Plan: plan, Span: span, Speed: 4, Epoch: start, Outputs: []*Output{ToConn(conn, conn)},
		})
		require.NoError(t, err)
		require.Equal(t, len(want), n)
		require.Equal(t, span/4, time.Since(start))
	})
}

// A stream holds what a socket would carry, each behind its length, at the begin of
// the air time.
func TestAStreamIsFramed(t *testing.T) {
	const span = 2 * time.Second
	plan := prepared(t, "orchard", Desk{Span: span})
	want, _ := simulated(t, plan, span)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		r, w := io.Pipe()
		done := make(chan []seen)
		go func() {
			var got []seen
			var head [2]byte
			for {
				if _, err := io.ReadFull(r, head[:]); err != nil {
					done <- got
					return
				}
				data := make([]byte, binary.BigEndian.Uint16(head[:]))
				_, err := io.ReadFull(r, data)
				require.NoError(t, err)
				got = append(got, seen{time.Since(start) + plan.Radio.Airtime(len(data)), string(data)})
			}
		}()
		_, err := Send(context.Background(), SenderConfig{Plan: plan, Span: span, Speed: 1, Epoch: start, Outputs: []*Output{ToStream("board", w)}})
		require.NoError(t, err)
		require.NoError(t, w.Close())
		require.Equal(t, want, (<-done)[:len(want)])
	})
}

// The weather in software loses exactly the datagrams that the simulated displays
// lose by the same weather.
func TestSoftwareWeatherIsTheWeatherOfThePrediction(t *testing.T) {
	weather := radio.Weather{Loss: 0.1, Burst: 60 * ms}
	const span = 20 * time.Second
	plan := prepared(t, "orchard", Desk{Span: span, Weather: &weather})
	want, prediction := simulated(t, plan, span)
	synctest.Test(t, func(t *testing.T) {
		var records uint64
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) { records += uint64(b[6]) }
		sent, err := Send(context.Background(), SenderConfig{Plan: plan, Span: span, Speed: 1, Outputs: []*Output{ToConn(conn, conn)}})
		require.NoError(t, err)
		o := sent.Outputs[0]
		require.Equal(t, uint64(len(want)), o.Sent+o.Faded)
		require.NotZero(t, o.Faded)
		f := prediction.Receivers[0].RecordFates
		require.Equal(t, prediction.Records-f[fate.RecordFaded], records+inAir(prediction, want))
	})
}

// inAir counts the records that were on the air at the end of a simulation.
func inAir(r *sim.Replication, landed []seen) uint64 {
	var n uint64
	for _, s := range landed {
		n += uint64(s.data[6])
	}
	return r.Records - n
}

// A context that ends stops the sender between two datagrams, with its books
// closed.
func TestTheSenderStops(t *testing.T) {
	plan := prepared(t, "orchard", Desk{Span: time.Hour})
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithTimeout(context.Background(), 3*time.Second)
		defer stop()
		conn := newMemoryConn("bridge")
		sent, err := Send(ctx, SenderConfig{Plan: plan, Span: time.Hour, Speed: 1, Outputs: []*Output{ToConn(conn, conn)}})
		require.NoError(t, err)
		require.True(t, sent.Stopped)
		require.InDelta(t, 3, sent.Span.Seconds(), 0.1)
		require.Equal(t, sent.Datagrams, sent.Outputs[0].Sent)
		var sum uint64
		for _, n := range sent.Bridges[0].Fates {
			sum += n
		}
		require.Equal(t, sent.Bridges[0].Frames, sum)
	})
}
