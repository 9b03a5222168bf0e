package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// events drives a bridge on a medium that opens at given instants only, each
// broadcast being over 1 ms later.
func events(t *testing.T, c Config, at []time.Duration, frames ...bus.Frame) *rig {
	c.KeepLast = true
	r := newRig(t, c)
	r.air = ms
	r.bridge.HoldBack(never)
	for _, open := range at {
		for len(frames) > 0 && frames[0].At <= open {
			r.run(frames[0].At, frames[0])
			frames = frames[1:]
		}
		r.run(open)
		r.bridge.HoldBack(open)
		b, ok := r.bridge.Take(open)
		if !ok {
			b, ok = r.bridge.Again(open)
		}
		r.bridge.HoldBack(never)
		if ok {
			h := handedOver{open, b.Sequence, b.Copy, append([]Record(nil), b.Records...), b}
			r.out, r.onAir = append(r.out, h), append(r.onAir, h)
		}
	}
	return r
}

// What waits for an event waits in the bridge: the newest of the table goes out,
// chosen at the event, and the last broadcast again where nothing is new.
func TestTheContentIsChosenAtTheEvent(t *testing.T) {
	c := with(func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, OnlyNew: true} })
	r := events(t, c, []time.Duration{5 * ms, 25 * ms, 45 * ms, 65 * ms, 85 * ms},
		frame(2*ms, 0x100), frame(12*ms, 0x100), frame(18*ms, 0x100), frame(61*ms, 0x200))
	require.Equal(t, "25: a18\n45*: a18\n65*: a18\n85: b61", r.sent())
	require.Equal(t, []uint16{0, 0, 0, 1}, []uint16{r.out[0].sequence, r.out[1].sequence, r.out[2].sequence, r.out[3].sequence})
	r.run(100 * ms)
	require.Equal(t, map[string]uint64{"replaced": 2, "sent": 2}, r.close(100*ms))
}

// A send queue fills while the medium is shut, under its own rule.
func TestTheSendQueueWaitsForTheEvent(t *testing.T) {
	c := with(func(c *Config) { c.SendQueue = SendQueue{Depth: 2, Full: FullDropOldest} })
	r := events(t, c, []time.Duration{20 * ms, 40 * ms, 60 * ms},
		frame(1*ms, 0x100), frame(2*ms, 0x100), frame(3*ms, 0x200))
	require.Equal(t, "20: a2\n40: b3\n60*: b3", r.sent())
	r.run(70 * ms)
	require.Equal(t, map[string]uint64{"send_queue_full": 1, "sent": 2}, r.close(70*ms))
}

// Repeats do not take from what new broadcasts wait for, and are charged.
func TestAgainUnderARateLimit(t *testing.T) {
	c := with(func(c *Config) { c.Limit = RateLimit{Broadcasts: 20} }) // one in 50 ms
	r := events(t, c, []time.Duration{10 * ms, 30 * ms, 60 * ms, 80 * ms, 115 * ms},
		frame(1*ms, 0x100), frame(62*ms, 0x200))
	// At 30 ms the bucket holds 0.4; at 60 ms it pays for a copy, so that the
	// value of 62 ms leaves when it holds 1 again, at 110 ms.
	require.Equal(t, "10: a1\n60*: a1\n115: b62", r.sent())
	r.run(120 * ms)
	r.close(120 * ms)
}

// A value that has grown too old is not sent again.
func TestAgainExpires(t *testing.T) {
	c := with(func(c *Config) { c.DropOlder = 30 * ms })
	r := events(t, c, []time.Duration{10 * ms, 30 * ms, 50 * ms}, frame(5*ms, 0x100))
	require.Equal(t, "10: a5\n30*: a5", r.sent())
	r.run(60 * ms)
	r.close(60 * ms)
}

// Without KeepLast nothing is sent again, and an instant that has passed holds
// nothing back.
func TestHoldBackUntilAnInstant(t *testing.T) {
	r := newRig(t, plain())
	r.air = ms
	r.bridge.HoldBack(30 * ms)
	r.run(100*ms, frame(10*ms, 0x100), frame(50*ms, 0x200))
	require.Equal(t, "30: a10\n50: b50", r.sent())
	_, ok := r.bridge.Again(100 * ms)
	require.False(t, ok)
	r.close(100 * ms)
}
