package live

import (
	"context"
	"math/rand/v2"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
)

// bench is a listener in a bubble that is handed broadcasts of one identifier.
type bench struct {
	t       *testing.T
	l       *Listener
	codec   *bridge.Codec
	from    string
	start   time.Time
	wall    time.Duration // by which the wall clock is off
	stamped time.Duration // by which the sender's clock is off
	number  uint16
	layout  bridge.Layout
}

func newBench(t *testing.T, same bool, change func(*bridge.Layout)) *bench {
	plan := prepared(t, "orchard", Desk{Span: time.Minute})
	b := &bench{t: t, from: "bridge", start: time.Now(), layout: plan.Bridge.Layout}
	if change != nil {
		change(&b.layout)
	}
	b.codec = bridge.NewCodec(b.layout, plan.Bridge.Forward)
	b.l = NewListener(ListenerConfig{
		Plan: plan, SameHost: func(net.Addr) bool { return same },
		Wall: func() time.Time { return time.Now().Add(b.wall) },
	})
	return b
}

// send lets a broadcast with a value of so old an age arrive.
func (b *bench) send(old time.Duration) {
	b.t.Helper()
	at := time.Duration(time.Now().UnixNano()) + b.stamped
	c := &bridge.Broadcast{Sequence: b.number, SendTime: at, Records: []bridge.Record{{Slot: 0, Page: bridge.NoPage, ValidAt: at - old, Length: 8}}}
	b.number++
	require.NoError(b.t, b.l.Take(b.codec.Encode(nil, c), memoryAddr(b.from), time.Now()))
}

// every sends n broadcasts, one every 20 ms.
func (b *bench) every(n int) {
	for range n {
		time.Sleep(20 * ms)
		b.send(3 * ms)
	}
}

// speed returns what the first display shows of its first signal.
func (b *bench) speed() (known bool, age time.Duration) {
	s := b.l.View().Displays[0][0]
	return s.Known, s.Age
}

// A sender that starts anew numbers from 0: a restart, no loss and no copies.
func TestASenderRestarts(t *testing.T) {
	for name, another := range map[string]bool{"from the same address": false, "from another address": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, true, nil)
				b.every(500)
				time.Sleep(2 * time.Second)
				b.number = 0
				if another {
					b.from = "bridge again"
				}
				b.every(500)
				c := b.l.Finish(0).Counts
				require.Equal(t, uint64(1), c.Restarts)
				require.Equal(t, uint64(1000), c.Heard)
				require.Zero(t, c.Missing+c.Duplicates+c.OtherSender)
			})
		})
	}
}

// A sender without times that starts anew is found by its numbers.
func TestASenderWithoutTimesRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, func(l *bridge.Layout) { l.SendTime, l.RecordAges = false, false })
		b.every(500)
		b.number = 0
		b.every(500)
		m := b.l.Finish(0)
		require.Nil(t, m.Run)
		require.Equal(t, uint64(1000), m.Counts.Untimed)
		require.Equal(t, uint64(1), m.Counts.Restarts)
		require.Zero(t, m.Counts.Missing)
		require.Equal(t, uint64(7), m.Counts.Duplicates) // until it was found
		require.Equal(t, uint64(999), m.Intervals[0].Count())
		require.Equal(t, 20*ms, m.Intervals[0].Max())
	})
}

// Two senders of one set: the one heard first counts.
func TestAnotherSenderOfTheSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		for range 100 {
			b.every(1)
			b.from, b.number = "another", b.number+1000
			b.send(0)
			b.from, b.number = "bridge", b.number-1001
		}
		c := b.l.Finish(0).Counts
		require.Equal(t, uint64(100), c.OtherSender)
		require.Equal(t, uint64(100), c.Heard)
		require.Zero(t, c.Missing+c.Restarts)
	})
}

// When the wall clock of the host is set, ages end there: none is wrong, and they
// begin anew with the next broadcast. The sender's stamps follow its own check.
func TestTheWallClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		b.every(200)
		known, age := b.speed()
		require.True(t, known)
		require.Less(t, age, 250*ms)
		b.wall, b.stamped = -3*time.Second, -3*time.Second
		b.every(1)
		known, _ = b.speed()
		require.False(t, known)
		b.every(100)
		known, age = b.speed()
		require.True(t, known)
		require.Less(t, age, 250*ms)
		m := b.l.Finish(0)
		require.Equal(t, uint64(1), m.Counts.Steps)
		require.Zero(t, m.Counts.Missing+m.Counts.Restarts)
		require.Less(t, m.Run.Receivers[0].Signals[0].Glass.Ages().Max(), 250*ms)
	})
}

// A slow slew of the wall clock below 50 ms is no step.
func TestASlewIsNoStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		b.wall = 40 * ms
		b.stamped = 40 * ms
		b.every(100)
		require.Zero(t, b.l.Finish(0).Counts.Steps)
	})
}

// The sender moves its send times when its wall clock is set, and says so.
func TestTheSendersWallClockIsSet(t *testing.T) {
	plan := prepared(t, "orchard", Desk{Span: 4 * time.Second})
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var d bridge.Datagram
		codec := bridge.NewCodec(plan.Bridge.Layout, plan.Bridge.Forward)
		wall := func() time.Time {
			if time.Since(start) > 2*time.Second {
				return time.Now().Add(time.Hour)
			}
			return time.Now()
		}
		conn := newMemoryConn("bridge")
		conn.wrote = func(b []byte) {
			require.NoError(t, codec.Decode(b, &d))
			delay := time.Duration(uint32(wall().UnixMicro())-d.SendTime) * time.Microsecond
			require.Less(t, delay, 5*ms)
		}
		sent, err := Send(context.Background(), SenderConfig{Plan: plan, Span: 4 * time.Second, Speed: 1, Wall: wall, Outputs: []*Output{ToConn(conn, conn)}})
		require.NoError(t, err)
		require.Equal(t, uint64(1), sent.Steps)
	})
}

// A sender on another host: its clock is off by an hour and drifts by 80 ppm, the
// way takes 2 ms and more. Ages lack the 2 ms and no more than that.
func TestAnotherHostsClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, false, nil)
		dice := rand.New(rand.NewPCG(3, 4))
		b.stamped = -time.Hour
		for i := range 6000 {
			time.Sleep(20 * ms)
			way := 2*ms + time.Duration(dice.ExpFloat64()*float64(3*ms))
			b.stamped = -time.Hour - time.Duration(float64(time.Since(b.start))*80e-6) - way
			b.send(7 * ms)
			if i < 3000 {
				continue // until the drift is known well
			}
			found := b.l.last - b.l.newest // the way as the listener has it
			require.InDelta(t, float64(way-2*ms), float64(found), float64(500*time.Microsecond))
		}
		m := b.l.Finish(0)
		require.False(t, m.Counts.SameClock)
		require.InDelta(t, 80e-6, m.Counts.Drift, 10e-6)
		require.Zero(t, m.Counts.Steps+m.Counts.Restarts)
	})
}
