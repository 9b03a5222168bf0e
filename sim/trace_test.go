package sim

import (
	"errors"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// traced runs a plan with a trace of everything.
func traced(t *testing.T, plan *scenarios.Plan, emit func(e *Event)) *Replication {
	t.Helper()
	last := time.Duration(0)
	r, err := Trace(plan, 0, nil, func(e *Event) error {
		require.GreaterOrEqual(t, e.At, last, "time goes back")
		last = e.At
		emit(e)
		return nil
	})
	require.NoError(t, err)
	return r
}

// books counts the fates that a trace tells.
type books struct {
	frames   [fate.Frames]uint64
	settled  map[uint64]bool
	records  map[string]*[fate.Records]uint64
	listed   uint64
	forwards map[bus.ID]bool
}

func newBooks(plan *scenarios.Plan) *books {
	b := &books{settled: map[uint64]bool{}, records: map[string]*[fate.Records]uint64{}, forwards: map[bus.ID]bool{}}
	for _, f := range plan.Bridge.Forward {
		b.forwards[f.ID] = true
	}
	for _, r := range plan.Receivers {
		b.records[r.Name] = new([fate.Records]uint64)
	}
	return b
}

func (b *books) note(t *testing.T, e *Event) {
	switch {
	case e.Kind == Passed && e.Stage == fate.StageWire && b.forwards[e.ID]:
		b.listed++
	case e.Kind == FrameSettled:
		require.False(t, b.settled[e.Frame], "frame %d has two fates", e.Frame)
		b.settled[e.Frame] = true
		b.frames[e.FrameFate]++
	case e.Kind == RecordSettled:
		b.records[e.Display][e.RecordFate]++
	}
}

// Whatever a plan holds: a trace changes nothing, its fates sum to the ledgers and
// its ages integrate to those of the run, as integers.
func TestTraceAgreesWithTheRun(t *testing.T) {
	exact, plans := 0, 60
	if long() {
		plans = 400
	}
	for seed := range uint64(plans) {
		plan := randomPlan(rand.New(rand.NewPCG(seed, 1)))
		want, err := Run(plan, 0)
		require.NoError(t, err)
		books := newBooks(plan)
		glasses := newGlasses(plan)
		got := traced(t, plan, func(e *Event) {
			books.note(t, e)
			for _, g := range glasses {
				g.note(e)
			}
		})
		require.True(t, reflect.DeepEqual(want, got), "seed %d: the trace changes the run", seed)
		requireSameLedgers(t, books, got)
		for i, r := range plan.Receivers {
			require.Equal(t, got.Receivers[i].RecordFates, *books.records[r.Name], "seed %d", seed)
		}
		if books.listed == got.Frames {
			require.Equal(t, got.FrameFates, books.frames, "seed %d", seed)
			exact++
		}
		for _, g := range glasses {
			s := got.Receivers[g.receiver].Signals[g.shown]
			require.Equal(t, s.Glass.TwiceArea(), g.close(got.Span), "seed %d receiver %d signal %d", seed, g.receiver, g.shown)
		}
	}
	require.Greater(t, exact, plans/20)
}

// requireSameLedgers compares the books of a trace with the ledgers. The trace says
// nothing of frames that are not on the forward list.
func requireSameLedgers(t *testing.T, b *books, r *Replication) {
	t.Helper()
	unlisted := r.Frames - b.listed
	for f := range fate.Frames {
		switch rest := r.FrameFates[f] - b.frames[f]; f {
		case fate.FrameOverrun, fate.FrameMasked, fate.FrameBusQueueFull, fate.FrameNotListed, fate.FrameBridgeDown, fate.FrameInsideAtEnd:
			require.LessOrEqual(t, rest, unlisted, f)
			unlisted -= rest
		default:
			require.Zero(t, rest, f)
		}
	}
	require.Zero(t, unlisted)
}

// glass integrates the age of one signal as a trace tells it.
type glass struct {
	receiver, shown int
	display         string
	id              bus.ID
	page            int
	from            time.Duration
	known           bool
	since, validAt  time.Duration
	twice           age.Int128
}

func newGlasses(plan *scenarios.Plan) (all []*glass) {
	from, _ := plan.Window()
	for i, r := range plan.Receivers {
		for k, s := range r.Shows {
			g := &glass{receiver: i, shown: k, display: r.Name, id: s.ID, page: s.Signal.Page, from: from[i]}
			if plan.Selectors[s.ID] == nil {
				g.page = signal.AnyPage
			}
			all = append(all, g)
		}
	}
	return all
}

func (g *glass) note(e *Event) {
	if e.Kind == Passed && e.Stage == fate.StageRedraw && e.Display == g.display && e.ID == g.id && (g.page == signal.AnyPage || g.page == e.Page) {
		if !g.known || e.ValidAt > g.validAt {
			g.close(e.At)
			g.known, g.since, g.validAt = true, e.At, e.ValidAt
		}
	}
}

// close ends the tooth at t and returns twice the area of all.
func (g *glass) close(t time.Duration) age.Int128 {
	if begin := max(g.since, g.from); g.known && t > begin {
		g.twice = g.twice.Add(age.Product(int64(t-begin), int64(t-g.validAt+begin-g.validAt)))
		g.since = t
	}
	return g.twice
}

// A trace of some of the records is the trace of all with the others left out, and
// the first error of whoever takes it ends the run.
func TestTraceOfSomeRecords(t *testing.T) {
	plan := small(bridge.Policy{Kind: bridge.Fill, Hold: 30 * ms})
	var all, some []Event
	traced(t, plan, func(e *Event) {
		if e.ID == 0x101 || e.Kind == Drawing {
			e.Data = nil
			all = append(all, *e)
		}
	})
	only := func(id bus.ID, _ int) bool { return id == 0x101 }
	_, err := Trace(plan, 0, only, func(e *Event) error {
		e.Data = nil
		some = append(some, *e)
		return nil
	})
	require.NoError(t, err)
	require.NotEmpty(t, all)
	require.Equal(t, all, some)

	enough, n := errors.New("enough"), 0
	_, err = Trace(plan, 0, nil, func(*Event) error {
		if n++; n == 10 {
			return enough
		}
		return nil
	})
	require.ErrorIs(t, err, enough)
	require.Equal(t, 10, n)
}
