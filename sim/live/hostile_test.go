package live

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
)

// hostile makes datagrams that a sender would not: noise, damaged ones, cut ones,
// padded ones, ones of other sets and versions.
type hostile struct {
	dice *rand.Rand
	good [][]byte
	room []byte
}

func newHostile(t testing.TB, plan *scenarios.Plan) *hostile {
	all, _ := simulated(t, plan, time.Minute)
	h := &hostile{dice: rand.New(rand.NewPCG(7, 8))}
	for _, s := range all[:min(len(all), 64)] {
		h.good = append(h.good, []byte(s.data))
	}
	return h
}

// next returns a datagram that is valid until the next call.
func (h *hostile) next() []byte {
	h.room = append(h.room[:0], h.good[h.dice.IntN(len(h.good))]...)
	switch h.dice.IntN(6) {
	case 0:
		h.room = h.room[:h.dice.IntN(len(h.room)+1)]
	case 1:
		for range 1 + h.dice.IntN(8) {
			h.room[h.dice.IntN(len(h.room))] ^= 1 << h.dice.IntN(8)
		}
	case 2:
		for range h.dice.IntN(1200) {
			h.room = append(h.room, byte(h.dice.Uint32()))
		}
	case 3:
		h.room = h.room[:h.dice.IntN(len(h.room)+1)]
		for i := range h.room {
			h.room[i] = byte(h.dice.Uint32())
		}
	case 4:
		h.room[0], h.room[1] = 1, byte(h.dice.Uint32())
	case 5:
		h.room[6] = byte(h.dice.Uint32())
	}
	return h.room
}

// Whatever arrives is counted once, costs bounded memory, and breaks nothing.
func TestHostileDatagrams(t *testing.T) {
	n := pick(200_000, 10_000_000)
	for _, layout := range []string{"id", "slot", "packed"} {
		t.Run(layout, func(t *testing.T) {
			plan := prepared(t, "orchard", Desk{Span: time.Minute}, "bridge.layout.kind="+layout)
			h := newHostile(t, plan)
			l := NewListener(ListenerConfig{Plan: plan, SameHost: no})
			from := memoryAddr("stranger")
			start := time.Now()
			feed := func(n int) {
				for range n / 3 {
					require.NoError(t, l.Take(h.next(), from, start.Add(time.Since(start))))
				}
			}
			feed(n / 10)
			before := inUse()
			feed(n - n/10)
			require.Less(t, inUse(), before+4<<20)
			m := l.Finish(0)
			require.Equal(t, m.Counts.Datagrams, m.Counts.Sum())
			require.Equal(t, m.Counts.Own, m.Counts.Heard+m.Counts.Duplicates)
			for _, f := range []bridge.Fault{bridge.TooShort, bridge.OtherVersion, bridge.WrongFlags, bridge.CutOff, bridge.TrailingBytes} {
				require.NotZero(t, m.Counts.Malformed[f], f)
			}
		})
	}
}

// inUse returns the bytes that live on the heap.
func inUse() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// Through a socket: every hostile datagram is counted by the listener or by the
// kernel, and the listener still measures afterwards.
func TestHostileDatagramsThroughASocket(t *testing.T) {
	const n = 100_000
	plan := prepared(t, "orchard", Desk{Span: time.Minute})
	h := newHostile(t, plan)
	s, to := listenOn(t, "127.0.0.1:0", "")
	l := NewListener(ListenerConfig{Plan: plan})
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.Listen(ctx, s) }()
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	for i := range n {
		require.NoError(t, out.Write(h.next()))
		if i%500 == 499 {
			time.Sleep(time.Millisecond)
		}
	}
	drops := uint64(0)
	require.Eventually(t, func() bool {
		drops, _ = s.Drops()
		return l.View().Counts.Datagrams+drops >= uint64(n)
	}, 10*time.Second, 10*time.Millisecond)
	stop()
	require.NoError(t, <-done)
	c := l.Finish(0).Counts
	require.Equal(t, uint64(n), c.Sum()+drops)
}

// The laws of a listener for any bytes: one count each, and a clean end.
func FuzzListener(f *testing.F) {
	plan := prepared(f, "orchard", Desk{Span: time.Minute})
	h := newHostile(f, plan)
	for range 8 {
		f.Add(append([]byte(nil), h.next()...), h.good[0], int64(1000), true)
	}
	f.Fuzz(func(t *testing.T, a, b []byte, step int64, same bool) {
		l := NewListener(ListenerConfig{Plan: plan, SameHost: func(net.Addr) bool { return same }, Dump: new(bytes.Buffer), Log: new(bytes.Buffer)})
		now := time.Now()
		for i, d := range [][]byte{a, b, a, b, b} {
			now = now.Add(time.Duration(step % int64(10*time.Second)))
			require.NoError(t, l.Take(d, memoryAddr(fmt.Sprint(i/3)), now))
		}
		m := l.Finish(0)
		require.Equal(t, uint64(5), m.Counts.Sum())
		require.Equal(t, m.Counts.Own, m.Counts.Heard+m.Counts.Duplicates)
	})
}

// A flood of a foreign set costs the displays handler time and places in the queue,
// and changes no count of the own set.
func TestAFloodOfAForeignSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		b.every(10)
		foreign := b.layout
		codec := bridge.NewCodec(foreign, []bridge.Forward{{ID: bus.ID(0x120), Length: 8}})
		for i := range 20_000 {
			datagram := codec.Encode(nil, &bridge.Broadcast{})
			datagram[2], datagram[3] = byte(i>>8), byte(i) // a set of its own for each
			if i == 17 {
				continue // that is the own set
			}
			require.NoError(t, b.l.Take(datagram, memoryAddr("stranger"), time.Now()))
			if i%100 == 0 {
				b.every(1)
			}
		}
		m := b.l.Finish(0)
		c := m.Counts
		require.Equal(t, uint64(19_999), c.Foreign)
		require.Len(t, c.Sets, 64)
		require.True(t, c.MostSets)
		require.Equal(t, uint64(210), c.Heard)
		require.Zero(t, c.Missing)
		require.Equal(t, c.Datagrams, c.Sum())
		var sum uint64
		for _, n := range m.Run.Receivers[0].Foreign {
			sum += n
		}
		require.Equal(t, c.Foreign, sum)
		require.NotZero(t, m.Run.Receivers[0].Foreign[6]) // queue_full
	})
}

// A log has a line for each datagram of the own set in the documented columns; a
// dump has one for every datagram. The second one waits while the display draws.
func TestLogAndDump(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log, dump strings.Builder
		b := newBench(t, true, nil)
		b.l.config.Log, b.l.config.Dump = &log, &dump
		b.every(2)
		require.NoError(t, b.l.Take([]byte{9, 9}, memoryAddr("stranger"), time.Now()))
		stamp := uint32(time.Now().UnixMicro())
		require.Equal(t, fmt.Sprintf("0,0,24,,0,0,%d\n20000,1,24,,1,0,%d\n", stamp-20000, stamp), log.String())
		require.Equal(t, fmt.Sprintf("0.000000 bridge 24 bytes, set 17, sequence 0, sent at %d us; 120 0000000000000000 3.0 ms old\n"+
			"0.020000 bridge 24 bytes, set 17, sequence 1, sent at %d us; 120 0000000000000000 3.0 ms old\n"+
			"0.020000 stranger 2 bytes, too_short: datagram of 2 bytes is shorter than its header of 7: 0909\n", stamp-20000, stamp), dump.String())
		require.Equal(t, len(strings.Split(LogHead, ",")), len(strings.Split(strings.Split(log.String(), "\n")[0], ",")))
	})
}

// A log that cannot be written ends the listening with its error.
func TestALogThatBreaks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, true, nil)
		b.l.config.Log = broken{}
		require.ErrorIs(t, b.l.Take(b.codec.Encode(nil, &bridge.Broadcast{}), memoryAddr("bridge"), time.Now()), errBroken)
	})
}

var errBroken = errors.New("no space left")

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errBroken }
