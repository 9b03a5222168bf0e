package bridge

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// reading is a frame with these first bytes of data.
func reading(at time.Duration, id bus.ID, data ...byte) bus.Frame {
	f := frame(at, id)
	copy(f.Data[:], data)
	return f
}

// changing returns a configuration of the policy for a row of instants.
func changing(p Policy) func(c *Config) {
	p.Kind = Change
	return func(c *Config) { c.Policy = p }
}

var level = signal.Definition{Name: "level", Bits: 8, Scale: 0.5, Page: signal.AnyPage}

var changeInstants = []instants{
	{
		"the first value and what differs", changing(Policy{}), ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 1), reading(5*ms, a, 2), reading(7*ms, a, 2)},
		`1: a1
			5: a5`,
	}, {
		"a gap puts a change off, and the newest value goes", changing(Policy{MinGap: 10 * ms}), ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 2), reading(5*ms, a, 3), reading(20*ms, a, 4), reading(31*ms, a, 5)},
		`1: a1
			11: a5
			21: a20
			31: a31`,
	}, {
		"what changes back inside the gap is not sent", changing(Policy{MinGap: 10 * ms}), ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 2), reading(5*ms, a, 1)},
		`1: a1`,
	}, {
		"unless it is latched", changing(Policy{MinGap: 10 * ms, Latch: true}), ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 2), reading(5*ms, a, 1)},
		`1: a1
			11: a3
			21: a5`,
	}, {
		"a latched pulse goes with its newest value, what follows it at once", changing(Policy{Latch: true}), 10 * ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 2), reading(4*ms, a, 2), reading(5*ms, a, 1), reading(6*ms, a, 1)},
		`1: a1
			11: a4
			21: a6`,
	}, {
		"every sending starts the heartbeat over", changing(Policy{Heartbeat: 20 * ms}), ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(11*ms, a, 1), reading(25*ms, a, 2)},
		`1: a1
			21: a11
			25: a25
			45: a25`,
	}, {
		"each record has its own heartbeat, and what is due together goes together", changing(Policy{Heartbeat: 20 * ms}), 10 * ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(2*ms, b2, 1), reading(3*ms, a, 2)},
		`1: a1
			11: a3 b2
			31: a3 b2
			51: a3 b2`,
	}, {
		"only watched bits count", func(c *Config) {
			c.Policy.Kind, c.Forward[0].Watched.Mask = Change, []byte{0, 0x0F}
		}, ms,
		[]bus.Frame{reading(1*ms, a, 1), reading(3*ms, a, 2), reading(5*ms, a, 2, 0xF0), reading(7*ms, a, 2, 0xF1), reading(9*ms, b2, 1), reading(11*ms, b2, 1, 0xF0)},
		`1: a1
			7: a7
			9: b9
			11: b11`,
	}, {
		"a signal must move by more than its dead-band, in its unit", func(c *Config) {
			c.Policy.Kind, c.Forward[0].Watched.Bands = Change, []Band{{level, 2}}
		}, ms,
		[]bus.Frame{reading(1*ms, a, 10), reading(3*ms, a, 14), reading(5*ms, a, 15), reading(7*ms, a, 12), reading(9*ms, a, 10)},
		`1: a1
			5: a5
			9: a9`,
	}, {
		"copies follow, and do not count as sendings", func(c *Config) {
			c.Policy, c.Repeat = Policy{Kind: Change, Heartbeat: 20 * ms}, Repeat{Copies: 2, Spacing: 5 * ms}
		}, ms,
		[]bus.Frame{reading(1*ms, a, 1)},
		`1: a1
			6*: a1
			21: a1
			26*: a1
			41: a1
			46*: a1`,
	},
}

func TestInstantsOfChange(t *testing.T) {
	for _, row := range changeInstants {
		row.run(t, 60*ms)
	}
}

func TestALengthThatChangesIsAChange(t *testing.T) {
	w := newWatch(&Watched{Mask: []byte{}})
	var sent content
	x, y := Record{Length: 8}, Record{Length: 7}
	sent.set(&x)
	require.False(t, w.differs(&sent, &x))
	require.True(t, w.differs(&sent, &y))
}

// A signal that comes or goes with the length or turns into no number changes.
func TestBandsOfOddValues(t *testing.T) {
	number := signal.Definition{Name: "x", Bits: 32, Float: true, Scale: 1, Page: signal.AnyPage}
	paged := signal.Definition{Name: "y", Start: 40, Bits: 8, Scale: 1, Page: 2}
	w := newWatch(&Watched{Bands: []Band{{number, 1e9}, {paged, 0}}})
	record := func(page int, word uint32, last byte) *Record {
		r := &Record{Length: 8, Page: page}
		for i := range 4 {
			r.Data[i] = byte(word >> (8 * i))
		}
		r.Data[5] = last
		return r
	}
	nan := math.Float32bits(float32(math.NaN()))
	var sent content
	sent.set(record(2, math.Float32bits(5), 0))
	require.True(t, w.differs(&sent, record(2, nan, 0)))
	require.True(t, w.differs(&sent, record(2, math.Float32bits(float32(math.Inf(1))), 0)))
	require.False(t, w.differs(&sent, record(2, math.Float32bits(6), 0)))
	require.True(t, w.differs(&sent, record(2, math.Float32bits(6), 1)))
	require.False(t, w.differs(&sent, record(1, math.Float32bits(6), 1)), "not on this page")
	sent.set(record(2, nan, 0))
	require.False(t, w.differs(&sent, record(2, nan, 0)))
}

// Changes at Poisson instants of rate lam, a heartbeat H and a receiver that
// loses each message with probability p. The times between messages are
// min(Exp(lam), H), so their mean is c/lam with c = 1 - exp(-lam H), which is also
// the share of messages that carry a change. The receiver is wrong for the share
// p c / (1 - p (1-c)) of the time: a message after a loss is lost in turn with p,
// and a heartbeat repairs, a change replaces the error (renewal argument; the
// measure is the 0/1 penalty of Maatouk, Kriouile, Assaad, Ephremides 2020).
func TestChangeWithHeartbeatFollowsItsLaw(t *testing.T) {
	messages := 4_000
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		messages = 400_000
	}
	for i, row := range []struct{ lam, h, p float64 }{{0.1, 1, 0.1}, {1, 1, 0.1}, {0.1, 2, 0.3}, {0.01, 5, 0.2}} {
		r := rand.New(rand.NewPCG(uint64(i), 9))
		config := with(func(c *Config) { c.Policy = Policy{Kind: Change, Heartbeat: time.Duration(row.h * 1e9)} })
		b, err := New(config)
		require.NoError(t, err)
		world := heartbeatWorld{b: b, lose: func() bool { return r.Float64() < row.p }}
		c := -math.Expm1(-row.lam * row.h)
		span := time.Duration(float64(messages) * c / row.lam * 1e9)
		for at := time.Duration(0); at < span; at += time.Duration(r.ExpFloat64() / row.lam * 1e9) {
			world.change(at)
		}
		world.work(span)

		mean := c / row.lam
		square := 2 / (row.lam * row.lam) * (1 - math.Exp(-row.lam*row.h)*(1+row.lam*row.h))
		deviation := math.Sqrt(float64(messages) * (square - mean*mean) / (mean * mean))
		require.InDelta(t, messages, world.sent, 4*deviation+2, "%+v: messages in %v", row, span)
		require.InDelta(t, c, float64(world.changes)/float64(world.sent), 4*math.Sqrt(c*(1-c)/float64(messages))+1/float64(messages), "%+v: share of changes", row)

		w := row.p * c / (1 - row.p*(1-c))
		share, deviation := world.wrongShare(span)
		require.InDelta(t, w, share, 4*deviation, "%+v: share of wrong time", row)
	}
}

// heartbeatWorld is a bus of one signal with its bridge and one receiver.
type heartbeatWorld struct {
	b       *Bridge
	lose    func() bool
	changes int
	sent    int
	held    int             // change that the receiver knows
	since   time.Duration   // wrong since
	wrong   []time.Duration // spells
}

// change lets the signal change.
func (w *heartbeatWorld) change(at time.Duration) {
	w.work(at - 1)
	if w.held == w.changes {
		w.since = at
	}
	w.changes++
	f := reading(at, a, byte(w.changes), byte(w.changes>>8), byte(w.changes>>16))
	w.b.Offer(at, &f)
	w.work(at)
}

// work lets the bridge work until an instant.
func (w *heartbeatWorld) work(until time.Duration) {
	for {
		due, ok := w.b.Due()
		if !ok || due > until {
			return
		}
		c, ok := w.b.Take(due)
		if !ok {
			continue
		}
		w.sent++
		w.b.Sent(due, c, true)
		c.Release()
		if !w.lose() && w.held != w.changes {
			w.held = w.changes
			w.wrong = append(w.wrong, due-w.since)
		}
	}
}

// wrongShare returns the share of wrong time and its standard error: wrong time
// is a sum of independent spells, nearly Poisson in number.
func (w *heartbeatWorld) wrongShare(span time.Duration) (share, deviation float64) {
	sum, squares := 0.0, 0.0
	for _, d := range w.wrong {
		sum += d.Seconds()
		squares += d.Seconds() * d.Seconds()
	}
	return sum / span.Seconds(), math.Sqrt(squares) / span.Seconds()
}
