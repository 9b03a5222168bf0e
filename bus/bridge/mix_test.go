package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// urgent puts b2 into class 0 and a into class 1.
func urgent(c *Config) { c.Forward[0].Class = 1 }

var classInstants = []instants{
	{
		"what waits goes by class, then in order", urgent, 5 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2), frame(4*ms, a), frame(5*ms, b2)},
		`1: a1
			6: b3
			11: b5
			16: a2
			21: a4`,
	}, {
		"classes do not share a broadcast", func(c *Config) {
			urgent(c)
			c.Policy = Policy{Kind: Fill, Hold: 5 * ms}
		}, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a), frame(4*ms, b2)},
		`6: a1 a3
			7: b2 b4`,
	}, {
		"a round of a lower class goes before the rest of a higher one", func(c *Config) {
			urgent(c)
			c.Policy = Policy{Kind: Table, Every: 20 * ms, Phase: 10 * ms}
		}, 15 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2)},
		`10: b2
			25: a1
			40: b2
			55: b2`,
	}, {
		"a copy of a higher class waits for what is new in a lower one", func(c *Config) {
			urgent(c)
			c.Repeat = Repeat{Copies: 2, Spacing: 5 * ms}
		}, 4 * ms,
		[]bus.Frame{frame(1*ms, a), frame(4*ms, b2), frame(5*ms, b2)},
		`1: a1
			5: b4
			9: b5
			13*: b4
			17*: b5
			21*: a1`,
	}, {
		"the limit is for what goes first", func(c *Config) {
			urgent(c)
			c.Limit = RateLimit{Broadcasts: 100}
		}, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2)},
		`1: a1
			11: b3
			21: a2`,
	}, {
		"a policy that collects and one that does not share the medium", func(c *Config) {
			c.Policies = []Policy{{Kind: Table, Every: 20 * ms, Phase: 5 * ms}}
			c.Forward[1].Policy = 1
		}, 4 * ms,
		[]bus.Frame{frame(1*ms, b2), frame(2*ms, a), frame(3*ms, a), frame(4*ms, a), frame(5*ms, a), frame(6*ms, a)},
		`2: a2
			6: b1
			10: a3
			14: a4
			18: a5
			22: a6
			26: b1
			45: b1`,
	},
}

func TestInstantsOfClasses(t *testing.T) {
	for _, row := range classInstants {
		row.run(t, 58*ms)
	}
}

// With the burst of two broadcasts a2 is past the limit at 2 ms and waits for the
// medium; then b3 pays in its place, and a2 waits for the limit as well.
func TestWhatOvertakesPaysFirst(t *testing.T) {
	c := with(func(c *Config) {
		urgent(c)
		c.Limit = RateLimit{Broadcasts: 100, Burst: 20 * ms}
	})
	r := newRig(t, c)
	r.air = 5 * ms
	r.run(60*ms, frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2), frame(4*ms, b2))
	require.Equal(t, "1: a1\n6: b3\n11: b4\n21: a2", r.sent())
	past := func(slot int) (at []float64) {
		for _, p := range r.passed {
			if p.slot == slot && p.stage == fate.StageRateLimit {
				at = append(at, inMs(p.at))
			}
		}
		return at
	}
	// 2 tokens at 1 ms, 0.1 more each ms: 1.2 at 3 ms less one for b3, 1 at 11 ms.
	require.Equal(t, []float64{1, 2}, past(0))
	require.Equal(t, []float64{3, 11}, past(1))
	require.Equal(t, map[string]uint64{"sent": 4}, r.close(60*ms))
}

// Where the limit drops, what overtakes takes tokens of its own: three at 1 ms,
// 1.1 at 2 ms after a1, 1.2 at 3 ms after a2, 0.3 at 4 ms after b3.
func TestWhatOvertakesDropsNothing(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		urgent(c)
		c.Limit = RateLimit{Broadcasts: 100, Burst: 30 * ms, Drop: true}
	}))
	r.air = 5 * ms
	r.run(60*ms, frame(1*ms, a), frame(2*ms, a), frame(3*ms, b2), frame(4*ms, b2))
	require.Equal(t, "1: a1\n6: b3\n11: a2", r.sent())
	require.Equal(t, map[string]uint64{"sent": 3, "rate_limited": 1}, r.close(60*ms))
}

func TestAFullQueueLosesTheHighestClass(t *testing.T) {
	for _, x := range []struct {
		rule FullRule
		want string
		lost int
	}{
		// The queue holds two. a1 is on the medium; a2, a3 wait; b4, b5, b6, a7 come.
		{FullDropNew, "1: a1\n21: b4\n41: b5", 4},
		{FullDropOldest, "1: a1\n21: b5\n41: b6", 4},
		{FullReplaceSame, "1: a1\n21: b6\n41: a7", 1},
	} {
		r := newRig(t, with(func(c *Config) {
			urgent(c)
			c.SendQueue = SendQueue{Depth: 2, Full: x.rule}
		}))
		r.air = 20 * ms
		r.run(90*ms, frame(1*ms, a), frame(2*ms, a), frame(3*ms, a), frame(4*ms, b2), frame(5*ms, b2), frame(6*ms, b2), frame(7*ms, a))
		require.Equal(t, x.want, r.sent(), x.rule)
		require.Equal(t, uint64(x.lost), r.close(90 * ms)["send_queue_full"])
	}
}

// A class that starves shows.
func TestStarvationShows(t *testing.T) {
	r := newRig(t, with(urgent))
	r.air = 10 * ms
	frames := []bus.Frame{frame(1*ms, b2), frame(2*ms, a)}
	for at := 5 * ms; at < time.Second; at += 10 * ms {
		frames = append(frames, frame(at, b2))
	}
	frames = append(frames, frame(1100*ms, a))
	r.run(1050*ms, frames[:len(frames)-1]...)
	require.Equal(t, []SlotUse{
		{Class: 1, Wanted: 1, Left: 1, Waited: 1009 * ms}, // 101 of b2 before it
		{Class: 0, Wanted: 101, Left: 101, Waited: 6 * ms},
	}, r.bridge.Slots())
}

// What is overtaken without end never leaves, and is counted as waiting.
func TestWaitingAtTheEndCounts(t *testing.T) {
	r := newRig(t, with(func(c *Config) { urgent(c); c.SendQueue.Depth = 3 }))
	r.air = 10 * ms
	var frames []bus.Frame
	for at := 1 * ms; at < time.Second; at += 5 * ms {
		frames = append(frames, frame(at, b2), frame(at, a))
	}
	r.run(time.Second, frames...)
	slots := r.bridge.Slots()
	require.Equal(t, uint64(0), slots[0].Left)
	require.Equal(t, 995*ms, slots[0].Waited, "from 1 ms to the last frame, at 996 ms")
	require.Greater(t, slots[0].Wanted, uint64(100))
}

// A mix in which every entry goes by an equal policy of its own class sends what
// one policy sends, if the policy does not join records.
func TestAMixOfEqualPoliciesEqualsOne(t *testing.T) {
	for seed := range uint64(40) {
		c, frames := randomCase(seed)
		c.Policy, c.Policies = Policy{Kind: Each}, nil
		for i := range c.Forward {
			c.Forward[i].Policy, c.Forward[i].Class = 0, 0
		}
		want := newRig(t, c)
		want.air = 700 * us
		want.run(time.Second, frames...)
		c.Policies = []Policy{{Kind: Each}, {Kind: Each}}
		for i := range c.Forward {
			c.Forward[i].Policy = i % 3
		}
		have := newRig(t, c)
		have.air = want.air
		have.run(time.Second, frames...)
		require.Equal(t, want.sent(), have.sent(), "seed %d", seed)
		require.Equal(t, want.passed, have.passed, "seed %d", seed)
		require.Equal(t, want.close(time.Second), have.close(time.Second))
	}
}

func TestValuesThatGrowTooOldAreNotHandedOver(t *testing.T) {
	run := func(p Policy, frames ...bus.Frame) *rig {
		r := newRig(t, with(func(c *Config) { c.DropOlder, c.Policy = 20*ms, p }))
		r.air = 30 * ms
		return r.run(100*ms, frames...)
	}
	r := run(Policy{}, frame(1*ms, a), frame(2*ms, b2), frame(11*ms, a))
	require.Equal(t, "1: a1\n31: a11", r.sent(), "20 ms is not too old")
	require.Equal(t, map[string]uint64{"sent": 2, "expired": 1}, r.close(100*ms))

	r = run(Policy{Kind: Fill, Hold: 15 * ms}, frame(1*ms, a), frame(2*ms, b2), frame(20*ms, b2), frame(30*ms, a))
	require.Equal(t, "16: a1 b2\n46: a30", r.sent(), "b20 is taken out of the broadcast")
	require.Equal(t, map[string]uint64{"sent": 3, "expired": 1}, r.close(100*ms))

	r = run(Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms}, frame(1*ms, a), frame(2*ms, b2), frame(15*ms, a))
	require.Equal(t, "10: a1 b2", r.sent())
	require.Equal(t, map[string]uint64{"sent": 2, "expired": 1}, r.close(100*ms), "a15 is 25 ms old at 40 ms")

	r = run(Policy{Kind: Change}, reading(1*ms, a, 1), reading(2*ms, a, 2), reading(12*ms, b2, 2))
	require.Equal(t, "1: a1\n31: b12", r.sent())
	require.Equal(t, map[string]uint64{"sent": 2, "expired": 1}, r.close(100*ms))
}
