package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// stopped is a bridge whose processor stands still until the time given, with
// room for everything behind the controller.
func stopped(until time.Duration, controller Controller) Config {
	return with(func(c *Config) {
		c.Controller = controller
		c.Stalls = []Span{{0, until}}
		c.Forward = []Forward{{ID: a, Length: 8}, {ID: bus.Extended | 0x100, Length: 8}}
	})
}

// row is n frames, one every gap, the first at gap.
func row(n int, gap time.Duration, id bus.ID, length uint8) (frames []bus.Frame) {
	for i := range n {
		f := frame(time.Duration(i+1)*gap, id)
		f.Length = length
		frames = append(frames, f)
	}
	return frames
}

// A FIFO of 64 bytes with entries of 3 + data and 5 + data bytes (controller data
// sheet; arithmetic recomputed): 11 bytes for a base frame of 8, 13 for an
// extended one, 3 for an empty one.
func TestSixtyFourBytes(t *testing.T) {
	for _, x := range []struct {
		name       string
		id         bus.ID
		length     uint8
		sent, kept int
	}{
		{"six base frames of 8 bytes, 5 kept and 1 lost", a, 8, 6, 5},
		{"extended frames of 8 bytes", bus.Extended | 0x100, 8, 6, 4},
		{"empty base frames", a, 0, 30, 21},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := newRig(t, stopped(20*ms, Controller{Bytes: 64}))
			r.run(100*ms, row(x.sent, 222*us, x.id, x.length)...)
			require.Equal(t, map[string]uint64{"sent": uint64(x.kept), "overrun": uint64(x.sent - x.kept)}, r.close(100*ms))
			require.Equal(t, x.kept, len(r.out))
			require.Equal(t, 222*us, r.out[0].records[0].ValidAt, "the first ones are kept")
		})
	}
}

// The time in which back-to-back base frames of 8 bytes without stuff bits, 111
// bits with the intermission, fill a controller that nobody empties (arithmetic
// recomputed): a stall up to the reception of the frame after that loses none, a
// longer one loses it.
func TestTimeToFillByDepth(t *testing.T) {
	for _, x := range []struct {
		depth            int
		at500kHz, at250k time.Duration
	}{
		{2, 444 * us, 888 * us}, {3, 666 * us, 1332 * us}, {5, 1110 * us, 2220 * us},
		{21, 4662 * us, 9324 * us}, {32, 7104 * us, 14208 * us}, {64, 14208 * us, 28416 * us},
	} {
		for bit, full := range map[time.Duration]time.Duration{2 * us: x.at500kHz, 4 * us: x.at250k} {
			frames := row(x.depth+1, 111*bit, a, 8)
			require.Equal(t, full, frames[x.depth-1].At, "the controller is full")
			next := frames[x.depth].At
			r := newRig(t, stopped(next, Controller{Frames: x.depth})).run(time.Second, frames...)
			require.Equal(t, map[string]uint64{"sent": uint64(x.depth + 1)}, r.close(time.Second), "depth %d", x.depth)
			r = newRig(t, stopped(next+1, Controller{Frames: x.depth})).run(time.Second, frames...)
			require.Equal(t, map[string]uint64{"sent": uint64(x.depth), "overrun": 1}, r.close(time.Second), "depth %d", x.depth)
		}
	}
}

// What six frames leave in a controller that nobody empties: a locked FIFO keeps
// the oldest, an unlocked one overwrites the frame stored last (first two oldest
// and the newest of three), an overwriting one the oldest.
func TestOverrunRules(t *testing.T) {
	for _, x := range []struct {
		controller Controller
		want       string
	}{
		{Controller{Frames: 3, Overrun: DropNew}, "a1 a2 a3"},
		{Controller{Frames: 3, Overrun: OverwriteLast}, "a1 a2 a6"},
		{Controller{Frames: 3, Overrun: OverwriteOldest}, "a4 a5 a6"},
		{Controller{Bytes: 35, Overrun: DropNew}, "a1 a2 a3"},
		{Controller{Bytes: 35, Overrun: OverwriteLast}, "a1 a2 a6"},
		{Controller{Bytes: 35, Overrun: OverwriteOldest}, "a4 a5 a6"},
	} {
		c := stopped(10*ms, x.controller)
		c.Policy = Policy{Kind: Fill, Hold: 5 * ms}
		r := newRig(t, c).run(50*ms, row(6, ms, a, 8)...)
		require.Equal(t, "15: "+x.want, r.sent())
		require.Equal(t, map[string]uint64{"sent": 3, "overrun": 3}, r.close(50*ms))
		require.Equal(t, 3, r.bridge.Stages()[0].HighWater/max(1, 11*x.controller.Bytes/35))
	}
}

func TestAFrameTooLargeForTheBufferIsLostAlone(t *testing.T) {
	long := frame(3*ms, a)
	long.Length, long.Flags = 64, bus.FD
	for _, rule := range []Overrun{DropNew, OverwriteLast, OverwriteOldest} {
		r := newRig(t, stopped(10*ms, Controller{Bytes: 64, Overrun: rule}))
		r.run(50*ms, frame(1*ms, a), frame(2*ms, a), long)
		require.Equal(t, map[string]uint64{"sent": 2, "overrun": 1}, r.close(50*ms))
	}
}

func TestOverwritingRulesDoNothingWhereNothingIsLost(t *testing.T) {
	for seed := range uint64(20) {
		c, frames := randomCase(seed)
		c.Controller = Controller{}
		want := newRig(t, c).run(time.Second, frames...)
		for _, rule := range []Overrun{OverwriteLast, OverwriteOldest} {
			c.Controller = Controller{Frames: 10_000, Overrun: rule}
			have := newRig(t, c).run(time.Second, frames...)
			require.Equal(t, want.written, have.written)
			require.Equal(t, want.passed, have.passed)
		}
	}
}

// The instants of pick-up and of the end of the work, by hand.
var pickUps = []struct {
	name   string
	change func(c *Config)
	frames []bus.Frame
	want   string
}{
	{
		"an interrupt comes its latency after each reception; the work is done in turn",
		func(c *Config) { c.Pickup = Pickup{Latency: ms, Cost: 3 * ms} },
		[]bus.Frame{frame(1*ms, a), frame(2*ms, a), frame(20*ms, a)},
		`pickup 1 @2
		bus_queue 1 @5
		pickup 2 @3
		bus_queue 2 @8
		pickup 20 @21
		bus_queue 20 @24`,
	}, {
		"a tick takes all that was received up to its instant",
		func(c *Config) { c.Pickup = Pickup{Tick: 10 * ms, Phase: 4 * ms, Cost: ms} },
		[]bus.Frame{frame(1*ms, a), frame(4*ms, a), frame(5*ms, a), frame(14*ms, a), frame(15*ms, a)},
		`pickup 1 @4
		bus_queue 1 @5
		pickup 4 @4
		bus_queue 4 @6
		pickup 5 @14
		bus_queue 5 @15
		pickup 14 @14
		bus_queue 14 @16
		pickup 15 @24
		bus_queue 15 @25`,
	}, {
		"a stall holds pick-up and stretches the work",
		func(c *Config) {
			c.Pickup = Pickup{Latency: ms, Cost: 4 * ms}
			c.Stalls = []Span{{4 * ms, 10 * ms}}
		},
		[]bus.Frame{frame(1*ms, a), frame(3*ms, a), frame(9*ms, a)},
		`pickup 1 @2
		bus_queue 1 @12
		pickup 3 @10
		bus_queue 3 @16
		pickup 9 @10
		bus_queue 9 @20`,
	}, {
		"ticks inside a stall come as one at its end, which sees what arrived meanwhile",
		func(c *Config) {
			c.Pickup = Pickup{Tick: 2 * ms}
			c.Stalls = []Span{{5 * ms, 8 * ms}, {7 * ms, 11 * ms}}
		},
		[]bus.Frame{frame(3*ms, a), frame(5*ms, a), frame(10*ms, a), frame(11*ms, a), frame(11*ms+1, b2)},
		`pickup 3 @4
		pickup 5 @11
		pickup 10 @11
		pickup 11 @11`,
	}, {
		"a frame received at the end of a stall is seen by the tick that it put off",
		func(c *Config) {
			c.Pickup = Pickup{Tick: 2 * ms}
			c.Stalls = []Span{{5 * ms, 7 * ms}}
		},
		[]bus.Frame{frame(7*ms, a)},
		`pickup 7 @7`,
	}, {
		"a stall without a tick inside it delays nothing",
		func(c *Config) {
			c.Pickup = Pickup{Tick: 10 * ms}
			c.Stalls = []Span{{3 * ms, 6 * ms}}
		},
		[]bus.Frame{frame(4*ms, a), frame(5*ms, a)},
		`pickup 4 @10
		pickup 5 @10`,
	},
}

func TestPickUp(t *testing.T) {
	for _, x := range pickUps {
		t.Run(x.name, func(t *testing.T) {
			r := newRig(t, with(x.change)).run(60*ms, x.frames...)
			have := map[string]bool{}
			var inOrder []string
			for _, want := range splitLines(r.stages(0)) {
				have[want] = true
				inOrder = append(inOrder, want)
			}
			for _, want := range splitLines(text(x.want)) {
				require.True(t, have[want], "%s not among %v", want, inOrder)
			}
		})
	}
}

func TestTheBusQueueLosesWhatFindsItFull(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		c.QueueDepth = 2
		c.Pickup.Cost = 10 * ms
	}))
	// The first is in work, two wait, the fourth is lost. At 11 ms the second goes
	// to work and its place is free for the frame of that instant.
	r.run(100*ms, frame(1*ms, a), frame(2*ms, a), frame(3*ms, a), frame(4*ms, a), frame(11*ms, a))
	require.Equal(t, "11: a1\n21: a2\n31: a3\n41: a11", r.sent())
	require.Equal(t, map[string]uint64{"sent": 4, "bus_queue_full": 1}, r.close(100*ms))
	stages := r.bridge.Stages()
	require.Equal(t, StageUse{Name: "processor", Busy: int64(40 * ms), HasServer: true, HighWater: 1, Capacity: 1, Unit: "frames"}, stages[1])
	require.Equal(t, StageUse{Name: "bus queue", HighWater: 2, Capacity: 2, Unit: "frames"}, stages[2])
	// A value that was lost later has been picked up all the same.
	require.Contains(t, r.stages(0), "pickup 4 @4")
}

func TestFramesInsideAtTheEnd(t *testing.T) {
	c := with(func(c *Config) { c.Pickup = Pickup{Latency: 2 * ms, Cost: 10 * ms} })
	// At 20 ms: one in work since 13 ms, one waiting, one not picked up.
	frames := []bus.Frame{frame(1*ms, 0x7F0), frame(2*ms, 0x7F0), frame(3*ms, 0x7F0), frame(19*ms, 0x7F0)}
	r := newRig(t, c).run(20*ms, frames...)
	require.Equal(t, map[string]uint64{"not_listed": 1, "inside_at_end": 3}, r.close(20*ms))
	require.Equal(t, int64(17*ms), r.bridge.Stages()[1].Busy, "10 ms and 7 ms")
	for i := range frames {
		frames[i].ID = a
	}
	r = newRig(t, c).run(20*ms, frames...)
	require.Equal(t, map[string]uint64{"sent": 1, "inside_at_end": 3}, r.close(20*ms))
}

func TestRemoteFramesAreNotListedAndTakeAPlace(t *testing.T) {
	remote := frame(2*ms, a)
	remote.Kind = bus.Remote
	r := newRig(t, stopped(10*ms, Controller{Frames: 2})).run(20*ms, frame(1*ms, a), remote, frame(3*ms, a))
	require.Equal(t, map[string]uint64{"sent": 1, "not_listed": 1, "overrun": 1}, r.close(20*ms))
}
