package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// offer gives the bridge a frame at an instant.
func offer(b *Bridge, at time.Duration, id bus.ID) {
	f := frame(at, id)
	b.Offer(at, &f)
}

// must takes a broadcast that has to be there.
func must(t *testing.T, b *Bridge, at time.Duration) *Broadcast {
	c, ok := b.Take(at)
	require.True(t, ok, "nothing leaves at %v", at)
	return c
}

func TestSendTimeoutFreesTheBridge(t *testing.T) {
	setup := func(t *testing.T) (*Bridge, *Broadcast) {
		b, err := New(with(func(c *Config) { c.SendTimeout = 10 * ms }))
		require.NoError(t, err)
		offer(b, 1*ms, a)
		c := must(t, b, 1*ms)
		offer(b, 2*ms, b2)
		_, ok := b.Take(2 * ms)
		require.False(t, ok, "one is in flight")
		due, _ := b.Due()
		require.Equal(t, 11*ms, due)
		return b, c
	}
	t.Run("and the next one leaves at that instant", func(t *testing.T) {
		b, first := setup(t)
		second := must(t, b, 11*ms)
		require.Equal(t, uint16(1), second.Sequence)
		first.Release()
		b.Sent(12*ms, second, true)
		second.Release()
		b.Close(13 * ms)
		require.Equal(t, map[string]uint64{"send_timeout": 1, "sent": 1}, books(t, b))
	})
	t.Run("told at the instant of the timeout is in time", func(t *testing.T) {
		b, first := setup(t)
		b.Sent(11*ms, first, false)
		first.Release()
		must(t, b, 11*ms)
		b.Close(12 * ms)
		require.Equal(t, map[string]uint64{"access_failed": 1, "inside_at_end": 1}, books(t, b))
	})
	t.Run("late, but sent", func(t *testing.T) {
		b, first := setup(t)
		second := must(t, b, 11*ms)
		require.Equal(t, map[string]uint64{"send_timeout": 1, "inside_at_end": 1}, books(t, b))
		b.Sent(15*ms, first, true)
		first.Release()
		_, ok := b.Take(15 * ms)
		require.False(t, ok, "the second one is in flight all the same")
		b.Sent(16*ms, second, false)
		second.Release()
		b.Close(16 * ms)
		require.Equal(t, map[string]uint64{"sent": 1, "access_failed": 1}, books(t, b))
	})
	t.Run("late, and failed", func(t *testing.T) {
		b, first := setup(t)
		must(t, b, 11*ms)
		b.Sent(15*ms, first, false)
		first.Release()
		require.Equal(t, map[string]uint64{"send_timeout": 1, "inside_at_end": 1}, books(t, b))
	})
	t.Run("later than the call that notices", func(t *testing.T) {
		b, first := setup(t)
		b.Sent(12*ms, first, true)
		first.Release()
		b.Close(12 * ms)
		require.Equal(t, map[string]uint64{"sent": 1, "inside_at_end": 1}, books(t, b))
	})
}

// Once sent it stays sent: the copy fails, the table's cell is replaced.
func TestOnceSentItStaysSent(t *testing.T) {
	b, err := New(with(func(c *Config) {
		c.Policy = Policy{Kind: Table, Every: 50 * ms, Phase: 1 * ms}
		c.Repeat = Repeat{Copies: 2, Spacing: 2 * ms}
	}))
	require.NoError(t, err)
	offer(b, 1*ms, a)
	first := must(t, b, 1*ms)
	b.Sent(2*ms, first, true)
	first.Release()
	copied := must(t, b, 3*ms)
	require.Equal(t, 1, copied.Copy)
	require.Equal(t, 1*ms, copied.SendTime)
	b.Sent(4*ms, copied, false)
	copied.Release()
	offer(b, 5*ms, a)
	b.Close(6 * ms)
	require.Equal(t, map[string]uint64{"sent": 1, "inside_at_end": 1}, books(t, b))
}

// A copy can still make good what the first failed to do.
func TestACopyThatGoesOutSends(t *testing.T) {
	r := newRig(t, with(func(c *Config) { c.Repeat = Repeat{Copies: 2, Spacing: 2 * ms} }))
	r.outcome = func(n int) (ok, confirmed bool) { return n == 1, true }
	r.run(9*ms, frame(1*ms, a))
	require.Equal(t, map[string]uint64{"sent": 1}, r.close(9*ms))
}

// What a broadcast failed to send is new again.
func TestOnlyNewSendsAgainWhatFailed(t *testing.T) {
	r := newRig(t, with(func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, OnlyNew: true} }))
	r.air = ms
	r.outcome = func(n int) (ok, confirmed bool) { return n == 1, true }
	r.run(50*ms, frame(1*ms, a))
	require.Equal(t, "10: a1\n20: a1", r.sent())
}

// What is still in flight is not new either.
func TestOnlyNewLeavesOutWhatIsInFlight(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		c.Policy = Policy{Kind: Table, Every: 10 * ms, OnlyNew: true}
		c.Pace.Gap = ms
	}))
	r.air = 25 * ms
	r.outcome = func(n int) (ok, confirmed bool) { return n > 0, true }
	r.run(90*ms, frame(1*ms, a))
	require.Equal(t, "10: a1\n40: a1", r.sent(), "failed at 35 ms, so new again at 40 ms")
}

// A time-out frees the bridge, not the radio: what the radio may still have counts
// against what it holds at most, so that nothing piles up in it.
func TestWhatTimedOutStillFillsTheRadio(t *testing.T) {
	r := newRig(t, with(func(c *Config) { c.SendTimeout, c.Pace.InRadio = 5*ms, 2 }))
	r.air = 50 * ms
	r.run(60*ms, frame(1*ms, a), frame(2*ms, b2), frame(10*ms, a))
	require.Equal(t, "1: a1\n6: b2\n51: a10", r.sent())
}

// A broadcast that times out and whose caller lets go of it without a word is
// settled then: nothing piles up.
func TestSilentTimeoutsLeaveNothingBehind(t *testing.T) {
	b, err := New(with(func(c *Config) { c.SendTimeout = ms }))
	require.NoError(t, err)
	for i := range time.Duration(1000) {
		at := i * 3 * ms
		offer(b, at, a)
		c := must(t, b, at)
		_, ok := b.Take(at + ms)
		require.False(t, ok)
		c.Release()
	}
	require.Equal(t, map[string]uint64{"send_timeout": 1000}, books(t, b))
	require.LessOrEqual(t, len(b.ledger.values), 2)
	require.LessOrEqual(t, len(b.idle), 2)
}

func TestSequenceWrapsAndCountsHandOversOnly(t *testing.T) {
	b, err := New(with(func(c *Config) { c.SendQueue.Depth = 1 }))
	require.NoError(t, err)
	for i := range 70_000 {
		at := time.Duration(i) * ms
		offer(b, at, a)
		offer(b, at, b2)
		c := must(t, b, at)
		require.Equal(t, uint16(2*i), c.Sequence)
		b.Sent(at, c, true)
		c.Release()
		c = must(t, b, at)
		b.Sent(at, c, true)
		c.Release()
	}
	books(t, b)
}

func TestWrongUsePanicsWithTheName(t *testing.T) {
	fresh := func() *Bridge {
		b, err := New(plain())
		require.NoError(t, err)
		return b
	}
	b := fresh()
	offer(b, 5*ms, a)
	require.PanicsWithValue(t, "bridge: Offer at 4ms after a call at 5ms: time goes back", func() { offer(b, 4*ms, a) })
	require.PanicsWithValue(t, "bridge: Take at 4ms after a call at 5ms: time goes back", func() { b.Take(4 * ms) })
	require.PanicsWithValue(t, "bridge: Offer of an error frame", func() { b.Offer(6*ms, &bus.Frame{Kind: bus.Error}) })
	c := must(t, b, 6*ms)
	require.PanicsWithValue(t, "bridge: Sent of a broadcast of another bridge", func() { fresh().Sent(7*ms, c, true) })
	b.Sent(7*ms, c, true)
	require.PanicsWithValue(t, "bridge: Sent of a broadcast that is not on its way", func() { b.Sent(7*ms, c, true) })
	c.Release()
	require.PanicsWithValue(t, "bridge: Release of a broadcast that nobody holds", func() { c.Release() })
	b.Close(8 * ms)
	require.PanicsWithValue(t, "bridge: Offer after Close", func() { offer(b, 9*ms, a) })
	require.PanicsWithValue(t, "bridge: Take after Close", func() { b.Take(9 * ms) })
	_, ok := b.Due()
	require.False(t, ok)
}
