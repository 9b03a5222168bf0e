package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// short is a frame of fewer bytes, fd one of more.
func short(at time.Duration, id bus.ID, length uint8) bus.Frame {
	f := frame(at, id)
	f.Length = length
	return f
}

func fd(at time.Duration, id bus.ID, length uint8) bus.Frame {
	f := short(at, id, length)
	f.Flags = bus.FD
	return f
}

// limited is a bridge with a limit of one broadcast in 10 ms.
func limited(change func(c *Config)) Config {
	c := with(change)
	c.Limit.Broadcasts = 100
	return c
}

func TestWhatAFullSendQueueLoses(t *testing.T) {
	// The medium takes 10 ms. a1 leaves at once; two wait; then there is no room.
	frames := []bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2), frame(4*ms, a), frame(5*ms, 0x300)}
	for _, x := range []struct {
		rule  FullRule
		want  string
		fates map[string]uint64
	}{
		{FullDropNew, "1: a1\n11: a2\n21: b3", map[string]uint64{"sent": 3, "send_queue_full": 2}},
		{FullDropOldest, "1: a1\n11: a4\n21: c5", map[string]uint64{"sent": 3, "send_queue_full": 2}},
		{FullReplaceSame, "1: a1\n11: a4\n21: b3", map[string]uint64{"sent": 3, "replaced": 1, "send_queue_full": 1}},
	} {
		r := newRig(t, with(func(c *Config) {
			c.Forward = append(c.Forward, Forward{ID: 0x300, Length: 8})
			c.SendQueue = SendQueue{Depth: 2, Full: x.rule}
		}))
		r.air = 10 * ms
		r.run(100*ms, frames...)
		require.Equal(t, x.want, r.sent())
		require.Equal(t, x.fates, r.close(100*ms))
		require.Equal(t, 2, r.bridge.Stages()[3].HighWater)
		require.Equal(t, int64(30*ms), r.bridge.Stages()[3].Busy)
	}
}

// The newest of several alike is replaced, so that no older value follows a newer
// one.
func TestReplaceSameTakesTheLast(t *testing.T) {
	r := newRig(t, with(func(c *Config) { c.SendQueue = SendQueue{Depth: 3, Full: FullReplaceSame} }))
	r.air = 10 * ms
	r.run(100*ms, frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2), frame(4*ms, a), frame(5*ms, a))
	require.Equal(t, "1: a1\n11: a2\n21: b3\n31: a5", r.sent())
}

// What may leave at an instant takes no place at that instant: two values at one
// tick with room for one.
func TestWhatLeavesAtOnceTakesNoPlace(t *testing.T) {
	c := with(func(c *Config) {
		c.SendQueue.Depth = 1
		c.Pickup.Tick = 10 * ms
	})
	r := newRig(t, c)
	r.air = ms
	r.run(20*ms, frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a))
	require.Equal(t, "10: a1\n11: b2", r.sent())
	require.Equal(t, map[string]uint64{"sent": 2, "send_queue_full": 1}, r.close(20*ms))
}

// The instants of every stage, by hand, under a limit of one broadcast in 10 ms.
var stageInstants = []struct {
	name   string
	config Config
	air    time.Duration
	frames []bus.Frame
	want   string
}{
	{
		// The second could be paid for at 11 ms, when the medium is still busy; the
		// third at 21 ms, while the second waits.
		"each", limited(func(c *Config) {}), 25 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, a)},
		`hold 1 @1
		rate_limit 1 @1
		send_queue 1 @1
		hold 2 @2
		hold 3 @3
		rate_limit 2 @11
		rate_limit 3 @21
		send_queue 2 @26
		send_queue 3 @51`,
	}, {
		"without a limit both are passed at once", with(func(c *Config) {}), 25 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a)},
		`hold 1 @1
		rate_limit 1 @1
		send_queue 1 @1
		hold 2 @2
		rate_limit 2 @2
		send_queue 2 @26`,
	}, {
		"fill", limited(func(c *Config) { c.Policy = Policy{Kind: Fill, Hold: 4 * ms} }), 0,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(6*ms, a)},
		`hold 1 @5
		hold 2 @5
		rate_limit 1 @5
		rate_limit 2 @5
		send_queue 1 @5
		send_queue 2 @5
		hold 6 @10
		rate_limit 6 @15
		send_queue 6 @15`,
	}, {
		// Each copy takes its share of the limit: 1, 11*, 21, 31*, 41 ms.
		"each with a copy", limited(func(c *Config) { c.Repeat = Repeat{Copies: 2} }), 0,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, a)},
		`hold 1 @1
		rate_limit 1 @1
		send_queue 1 @1
		hold 2 @2
		hold 3 @3
		rate_limit 2 @11
		send_queue 2 @21
		rate_limit 3 @31
		send_queue 3 @41`,
	}, {
		// A byte a millisecond, full payload saved up. The levels after 18 bytes at
		// 1, 2 and 3 ms are 62, 45 and 28; at 4 ms 12 bytes take the place of 18, which
		// leaves 35. The 74 bytes of 12 ms find 43 and wait for 31 more.
		"a smaller one in the place of a waiting one", with(func(c *Config) {
			c.Limit = RateLimit{Bytes: 1000}
			c.MaxPayload = 80
			c.SendQueue = SendQueue{Depth: 2, Full: FullReplaceSame}
		}), 10 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a), short(4*ms, a, 2), fd(12*ms, a, 64)},
		`hold 1 @1
		rate_limit 1 @1
		send_queue 1 @1
		hold 3 @3
		rate_limit 3 @3
		hold 4 @4
		rate_limit 4 @4
		hold 12 @12
		send_queue 4 @21
		rate_limit 12 @43
		send_queue 12 @43`,
	}, {
		// Due at 5 and 10 ms with a4 and a9 held; at 10 ms the bucket cannot pay
		// until 15 ms, and then a12 is taken.
		"table", limited(func(c *Config) { c.Policy = Policy{Kind: Table, Every: 5 * ms, Phase: 5 * ms} }), 0,
		[]bus.Frame{frame(4*ms, a), frame(9*ms, a), frame(12*ms, a)},
		`hold 4 @5
		rate_limit 4 @5
		send_queue 4 @5
		hold 9 @10
		hold 12 @15
		rate_limit 12 @15
		send_queue 12 @15`,
	}, {
		// A broadcast that a full queue loses has passed the limit if it could be
		// paid for at once.
		"lost at the queue", with(func(c *Config) { c.SendQueue.Depth = 1 }), 50 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, a)},
		`hold 1 @1
		rate_limit 1 @1
		send_queue 1 @1
		hold 2 @2
		rate_limit 2 @2
		hold 3 @3
		rate_limit 3 @3`,
	},
}

func TestStagesUnderARateLimit(t *testing.T) {
	for _, x := range stageInstants {
		t.Run(x.name, func(t *testing.T) {
			r := newRig(t, x.config)
			r.air = x.air
			end := 60 * ms
			if x.config.Policy.Kind == Table {
				end = 18 * ms
			}
			if x.config.SendQueue.Depth == 1 {
				end = 40 * ms
			}
			r.run(end, x.frames...)
			var have []string
			for _, line := range splitLines(r.stages(0)) {
				if line[:4] != "pick" && line[:4] != "bus_" {
					have = append(have, line)
				}
			}
			require.Equal(t, splitLines(text(x.want)), have)
			r.close(end)
		})
	}
}

func TestDroppingWhatTheLimitCannotPay(t *testing.T) {
	limited := func(change func(c *Config)) Config {
		c := with(change)
		c.Limit = RateLimit{Broadcasts: 100, Drop: true}
		return c
	}
	t.Run("each", func(t *testing.T) {
		r := newRig(t, limited(func(c *Config) {})).run(50*ms, frame(1*ms, a), frame(2*ms, a), frame(11*ms, a), frame(11*ms+1, a))
		require.Equal(t, "1: a1\n11: a11", r.sent())
		require.Equal(t, map[string]uint64{"sent": 2, "rate_limited": 2}, r.close(50*ms))
	})
	t.Run("table gives up the round", func(t *testing.T) {
		r := newRig(t, limited(func(c *Config) { c.Policy = Policy{Kind: Table, Every: 6 * ms} }))
		r.run(20*ms, frame(1*ms, a), frame(7*ms, a), frame(13*ms, a))
		require.Equal(t, "6: a1\n18: a13", r.sent())
		require.Equal(t, map[string]uint64{"sent": 2, "replaced": 1}, r.close(20*ms))
	})
	t.Run("a copy", func(t *testing.T) {
		r := newRig(t, limited(func(c *Config) { c.Repeat = Repeat{Copies: 3, Spacing: 5 * ms} })).run(50*ms, frame(1*ms, a))
		require.Equal(t, "1: a1\n11**: a1", r.sent())
	})
}

// Each copy is paid for, and a copy that is due goes before a new broadcast even
// while the limit holds it back.
func TestCopiesAreChargedAndComeFirst(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		c.Limit.Broadcasts = 100
		c.Repeat = Repeat{Copies: 2, Spacing: 3 * ms}
	}))
	r.run(60*ms, frame(1*ms, a), frame(5*ms, b2))
	require.Equal(t, "1: a1\n11*: a1\n21: b5\n31*: b5", r.sent())
}

// A limit on the share of air charges the true size, but the table waits until a
// full payload could be paid.
func TestTableIsChargedItsTrueSize(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		c.Policy = Policy{Kind: Table, Every: ms}
		c.Limit.Bytes = 1000 // a byte a millisecond
		c.MaxPayload = 100
	}))
	r.run(200*ms, frame(1*ms, a))
	// 18 of 100 bytes at 1 ms; then 18 ms until it is full again, and so on.
	require.Equal(t, []time.Duration{1 * ms, 19 * ms, 37 * ms}, []time.Duration{r.out[0].at, r.out[1].at, r.out[2].at})
}
