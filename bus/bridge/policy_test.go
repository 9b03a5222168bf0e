package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
)

const a, b2 = bus.ID(0x100), bus.ID(0x200)

// record is the size of one of their records: identifier, length, data.
const record = 2 + 1 + 8

// Instants of hand-over, worked out by hand. "3: a1 b2" is a broadcast at 3 ms
// with the value of identifier a released at 1 ms and that of b released at 2 ms.
type instants struct {
	name   string
	change func(c *Config)
	air    time.Duration
	frames []bus.Frame
	want   string
}

var policyInstants = []instants{
	{
		"each sends at once what the medium takes, and the rest in order", func(c *Config) {}, 3 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a), frame(20*ms, a)},
		`1: a1
		4: b2
		7: a3
		20: a20`,
	}, {
		"each paced by a gap does not wait for the confirmation", func(c *Config) { c.Pace.Gap = 2 * ms }, 50 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(10*ms, a)},
		`1: a1
		3: b2
		10: a10`,
	}, {
		"a paced one waits while the radio is full", func(c *Config) { c.Pace = Pace{Gap: 2 * ms, InRadio: 2} }, 50 * ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(10*ms, a), frame(11*ms, b2)},
		`1: a1
		3: b2
		51: a10
		53: b11`,
	}, {
		"fill sends when the oldest has been held, with what came at that instant", func(c *Config) { c.Policy = Policy{Kind: Fill, Hold: 5 * ms} }, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(6*ms, a), frame(7*ms, b2)},
		`6: a1 b2 a6
		12: b7`,
	}, {
		"fill sends when the most records are there", func(c *Config) { c.Policy = Policy{Kind: Fill, Hold: 5 * ms, MaxRecords: 2} }, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a)},
		`2: a1 b2
		8: a3`,
	}, {
		"fill sends when the next record has no room, and begins with it", func(c *Config) {
			c.Policy = Policy{Kind: Fill, Hold: 50 * ms}
			c.MaxPayload = headerBytes + 3*record - 1
		}, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, a)},
		`3: a1 b2
		53: a3`,
	}, {
		"fill sends at once when not even the smallest record has room", func(c *Config) {
			c.Policy = Policy{Kind: Fill, Hold: 50 * ms}
			c.MaxPayload = headerBytes + 2*record + 2
		}, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2)},
		`2: a1 b2`,
	}, {
		"table sends the latest values every period, the one of the due instant included", func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 5 * ms} }, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(5*ms, b2), frame(12*ms, b2)},
		`5: a2 b5
		15: a2 b12
		25: a2 b12`,
	}, {
		"table sends only what is new", func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, OnlyNew: true} }, ms,
		[]bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(12*ms, b2)},
		`10: a1 b2
		20: b12`,
	}, {
		"table takes the values of the hand-over when the medium is late", func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms} }, 13 * ms,
		[]bus.Frame{frame(1*ms, a), frame(21*ms, a)},
		`10: a1
		23: a21`,
	}, {
		"copies follow the first hand-over and go before new ones", func(c *Config) { c.Repeat = Repeat{Copies: 3, Spacing: 5 * ms} }, 2 * ms,
		[]bus.Frame{frame(1*ms, a), frame(5*ms, b2), frame(6*ms, a)},
		`1: a1
		5: b5
		7*: a1
		9: a6
		11*: b5
		13**: a1
		15*: a6
		17**: b5
		19**: a6`,
	},
}

func TestInstantsOfThePolicies(t *testing.T) {
	for _, row := range policyInstants {
		end := 60 * ms
		if with(row.change).Policy.Kind == Table {
			end = 30 * ms
		}
		row.run(t, end)
	}
}

// run checks the instants of a row up to end.
func (row instants) run(t *testing.T, end time.Duration) {
	t.Run(row.name, func(t *testing.T) {
		r := newRig(t, with(row.change))
		r.air, r.keep = row.air, true
		r.run(end, row.frames...)
		require.Equal(t, text(row.want), r.sent())
		require.Equal(t, uint64(len(row.frames)), r.close(end + ms)["sent"]+r.bridge.Fates()[fate.FrameReplaced]+r.bridge.Fates()[fate.FrameInsideAtEnd])
	})
}

func TestTableBeyondOnePayloadGoesOnInFurtherBroadcasts(t *testing.T) {
	c := with(func(c *Config) {
		c.Forward = append(c.Forward, Forward{ID: 0x300, Length: 8})
		c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms}
		c.MaxPayload = headerBytes + 2*11
	})
	r := newRig(t, c)
	r.air = 6 * ms
	// The second part carries what is held at its own hand-over. The due instant at
	// 20 ms falls into the medium's time: its round begins at 22 ms.
	r.run(40*ms, frame(1*ms, a), frame(2*ms, b2), frame(3*ms, 0x300), frame(15*ms, 0x300), frame(16*ms, a))
	require.Equal(t, text(`
		10: a1 b2
		16: c15
		22: a16 b2
		28: c15
		34: a16 b2
		40: c15`), r.sent())
	require.Equal(t, map[string]uint64{"sent": 4, "replaced": 1}, r.close(47*ms))
}

// The count of records is one byte.
func TestABroadcastHoldsAtMost255Records(t *testing.T) {
	for _, policy := range []Policy{{Kind: Fill, Hold: 5 * ms}, {Kind: Table, Every: 6 * ms, Phase: 6 * ms}} {
		c := with(func(c *Config) {
			c.Policy, c.MaxPayload, c.Forward = policy, 1470, nil
			for i := range 300 {
				c.Forward = append(c.Forward, Forward{ID: bus.ID(i)})
			}
		})
		var frames []bus.Frame
		for i := range 300 {
			frames = append(frames, short(1*ms+time.Duration(i), bus.ID(i), 0))
		}
		r := newRig(t, c).run(7*ms, frames...)
		require.Equal(t, []int{255, 45}, []int{len(r.out[0].records), len(r.out[1].records)})
	}
}

func TestPagesAreKeysOfTheirOwn(t *testing.T) {
	paged := func(at time.Duration, page byte) bus.Frame {
		f := frame(at, a)
		f.Data[0] = page
		return f
	}
	selector := &signal.Selector{Start: 0, Bits: 4}
	t.Run("table", func(t *testing.T) {
		r := newRig(t, with(func(c *Config) {
			c.Forward[0].Selector = selector
			c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms}
		}))
		r.run(10*ms, paged(1*ms, 3), paged(2*ms, 1), paged(3*ms, 3), frame(4*ms, b2))
		require.Equal(t, "10: a2 a3 b4", r.sent())
		require.Equal(t, []int{1, 3, NoPage}, []int{r.out[0].records[0].Page, r.out[0].records[1].Page, r.out[0].records[2].Page})
		require.Equal(t, map[string]uint64{"sent": 3, "replaced": 1}, r.close(10*ms))
	})
	t.Run("divider", func(t *testing.T) {
		r := newRig(t, with(func(c *Config) { c.Forward[0].Selector, c.Forward[0].Divide = selector, 2 }))
		r.run(10*ms, paged(1*ms, 0), paged(2*ms, 1), paged(3*ms, 0), paged(4*ms, 1), paged(5*ms, 0))
		require.Equal(t, "1: a1\n2: a2\n5: a5", r.sent())
		require.Equal(t, map[string]uint64{"sent": 3, "divided": 2}, r.close(10*ms))
	})
	t.Run("too short for its selector", func(t *testing.T) {
		r := newRig(t, with(func(c *Config) { c.Forward[0].Selector = selector }))
		f := paged(1*ms, 0)
		f.Length = 0
		r.run(10*ms, f)
		require.Equal(t, map[string]uint64{"bad_length": 1}, r.close(10*ms))
		require.Empty(t, r.passed)
	})
}

func TestDividerAndCap(t *testing.T) {
	frames := func(from, step time.Duration, n int) (f []bus.Frame) {
		for i := range n {
			f = append(f, frame(from+time.Duration(i)*step, a))
		}
		return f
	}
	t.Run("every third", func(t *testing.T) {
		r := newRig(t, with(func(c *Config) { c.Forward[0].Divide = 3 })).run(20*ms, frames(1*ms, ms, 7)...)
		require.Equal(t, "1: a1\n4: a4\n7: a7", r.sent())
		require.Equal(t, map[string]uint64{"sent": 3, "divided": 4}, r.close(20*ms))
	})
	t.Run("a gap of exactly the cap passes", func(t *testing.T) {
		r := newRig(t, with(func(c *Config) { c.Forward[0].MinGap = 4 * ms })).run(20*ms, frames(1*ms, 2*ms, 6)...)
		require.Equal(t, "1: a1\n5: a5\n9: a9", r.sent())
		require.Equal(t, map[string]uint64{"sent": 3, "divided": 3}, r.close(20*ms))
	})
}

func TestLayoutSlotWantsTheLengthOfTheLayout(t *testing.T) {
	long, short := frame(2*ms, a), frame(3*ms, a)
	long.Length, long.Flags, short.Length = 12, bus.FD, 7
	r := newRig(t, with(func(c *Config) { c.Layout.Kind = LayoutSlot })).run(9*ms, frame(1*ms, a), long, short)
	require.Equal(t, "1: a1", r.sent())
	require.Equal(t, map[string]uint64{"sent": 1, "bad_length": 2}, r.close(9*ms))
}

func TestARecordThatFitsNoPayloadHasABadLength(t *testing.T) {
	long := frame(1*ms, a)
	long.Length, long.Flags = 64, bus.FD
	r := newRig(t, with(func(c *Config) { c.MaxPayload = 73 })).run(9*ms, long)
	require.Equal(t, map[string]uint64{"bad_length": 1}, r.close(9*ms), "7 + 3 + 64 bytes do not fit 73")
	r = newRig(t, with(func(c *Config) { c.MaxPayload = 74 })).run(9*ms, long)
	require.Equal(t, map[string]uint64{"sent": 1}, r.close(9*ms))
}

// The policy that collects equals the one that does not when it may collect one
// record only, or for no time.
func TestFillOfOneRecordEqualsEach(t *testing.T) {
	for name, policy := range map[string]Policy{
		"one record": {Kind: Fill, Hold: 50 * ms, MaxRecords: 1},
		"no hold":    {Kind: Fill},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(40) {
				c, frames := randomCase(seed)
				c.Pickup.Tick, c.Stalls, c.Random = 0, nil, RandomStalls{}
				if c.Pickup.Cost == 0 { // no two values at one instant
					c.Pickup.Latency = 0
				}
				c.Policy = Policy{Kind: Each}
				want := newRig(t, c)
				want.air = 700 * us
				want.run(time.Second, frames...)
				c.Policy = policy
				have := newRig(t, c)
				have.air = want.air
				have.run(time.Second, frames...)
				require.Equal(t, want.out == nil, have.out == nil)
				require.Equal(t, want.sent(), have.sent(), "seed %d", seed)
				require.Equal(t, want.close(time.Second), have.close(time.Second), "seed %d", seed)
				require.Equal(t, want.bridge.Stages(), have.bridge.Stages(), "seed %d", seed)
			}
		})
	}
}
