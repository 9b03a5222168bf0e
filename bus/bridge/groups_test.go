package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
)

func TestInstantsOfGroups(t *testing.T) {
	grouped := func(c *Config, every ...int) {
		c.Forward = append(c.Forward, Forward{ID: 0x300, Length: 8})
		c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms}
		for i, n := range every {
			c.Forward[i].Every = n
		}
	}
	three := []bus.Frame{frame(1*ms, a), frame(2*ms, b2), frame(3*ms, 0x300)}
	limits := func(c *Config, limits ...time.Duration) {
		grouped(c)
		c.Policy.ByLimits = true
		for i, limit := range limits {
			c.Forward[i].Need.Views = []View{{Limit: limit, Display: 10 * ms}}
		}
	}
	for _, row := range []instants{
		{
			"equal multiples take turns", func(c *Config) { grouped(c, 1, 2, 2) }, ms, three,
			`10: a1 b2
			20: a1 c3
			30: a1 b2
			40: a1 c3`,
		}, {
			"different ones do not wait for each other", func(c *Config) { grouped(c, 3, 2, 0) }, ms, three,
			`10: a1 b2 c3
			20: c3
			30: b2 c3
			40: a1 c3`,
		}, {
			// 110, 210 and 419 ms less 10 ms of display hold 1, 2 and 4 times 100 ms.
			"by the limits", func(c *Config) { limits(c, 110*ms, 210*ms, 419*ms) }, ms, three,
			`10: a1 b2 c3
			20: a1
			30: a1 b2
			40: a1`,
		}, {
			"by hand goes before the limits", func(c *Config) { limits(c, 110*ms, 210*ms, 419*ms); c.Forward[2].Every = 1 }, ms, three,
			`10: a1 b2 c3
			20: a1 c3
			30: a1 b2 c3
			40: a1 c3`,
		},
	} {
		row.run(t, 40*ms)
	}
	instants{
		// The round of 30 ms begins when that of 20 ms ends, at 35 ms, and leaves at
		// 60 ms; those of 40, 50 and 60 ms follow as one.
		"what several late rounds owe goes in one", func(c *Config) { grouped(c, 1, 2, 2) }, 25 * ms, three,
		`10: a1 b2
		35: a1 c3
		60: a1 b2
		85: a1 b2 c3`,
	}.run(t, 90*ms)
}

func TestRotationSendsOnePageARound(t *testing.T) {
	page := func(at time.Duration, page byte) bus.Frame { return reading(at, a, page) }
	r := newRig(t, with(func(c *Config) {
		c.Forward[0].Selector = &signal.Selector{Bits: 8}
		c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms, Rotate: true}
	}))
	r.run(60*ms, page(1*ms, 1), page(2*ms, 3), page(3*ms, 5), frame(4*ms, b2), page(35*ms, 4), page(45*ms, 0))
	require.Equal(t, text(`
		10: a1 b4
		20: a2 b4
		30: a3 b4
		40: a1 b4
		50: a2 b4
		60: a35 b4`), r.sent())
	require.Equal(t, []int{1, 3, 5, 1, 3, 4}, func() (pages []int) {
		for _, h := range r.out {
			pages = append(pages, h.records[0].Page)
		}
		return pages
	}())
}

func TestALatchKeepsAPulseUntilItWasSentOnce(t *testing.T) {
	pulse := []bus.Frame{
		reading(1*ms, a, 0), reading(12*ms, a, 1), reading(13*ms, a, 1), reading(14*ms, a, 0), reading(15*ms, a, 2), reading(16*ms, a, 0),
	}
	run := func(latch bool, frames ...bus.Frame) *rig {
		r := newRig(t, with(func(c *Config) {
			c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 10 * ms, Latch: latch, OnlyNew: true}
		}))
		return r.run(60*ms, frames...)
	}
	require.Equal(t, "10: a1\n20: a16", run(false, pulse...).sent())
	r := run(true, pulse...)
	require.Equal(t, "10: a1\n20: a13\n30: a16", r.sent(), "the first pulse, then what is newest")
	require.Equal(t, map[string]uint64{"sent": 3, "replaced": 3}, r.close(60*ms))
	require.Equal(t, "10: a2\n20: a3", run(true, reading(1*ms, a, 0), reading(2*ms, a, 1), reading(3*ms, a, 0)).sent(),
		"before the first round the first value is what a pulse differs from")
	require.Equal(t, "10: a2", run(true, reading(1*ms, a, 0), reading(2*ms, a, 1)).sent())
}

// A table whose period is that of its only source, on the same grid, sends what
// the policy each sends when it sends it.
func TestTableAtTheSourcePeriodEqualsEach(t *testing.T) {
	var frames []bus.Frame
	for i := range time.Duration(100) {
		frames = append(frames, frame(3*ms+i*10*ms, a))
	}
	want := newRig(t, with(func(c *Config) {})).run(time.Second, frames...)
	have := newRig(t, with(func(c *Config) { c.Policy = Policy{Kind: Table, Every: 10 * ms, Phase: 3 * ms} })).run(time.Second, frames...)
	require.Equal(t, want.sent(), have.sent())
	stages := func(r *rig) (told []passing) {
		for _, p := range r.passed {
			if p.stage >= fate.StageHold {
				told = append(told, p)
			}
		}
		return told
	}
	require.Equal(t, stages(want), stages(have))
	require.Equal(t, want.close(time.Second), have.close(time.Second))
}
