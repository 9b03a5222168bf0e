package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/scenarios"
)

const ms = time.Millisecond

// desk is a receiver on its own, fed by hand: broadcast n carries the value that
// was valid at n ms.
type desk struct {
	*receiver
	shownAt []time.Duration // instants at which the glass changed
	values  []time.Duration // to which values
}

func newDesk(spec scenarios.Receiver) *desk {
	const id = bus.ID(0x120)
	spec.Shows = []scenarios.Shown{{ID: id, Signal: signal.Definition{Bits: 8, Scale: 1, Page: signal.AnyPage}}}
	v := &vehicle{
		spec: &scenarios.Vehicle{
			Bridge:    bridge.Config{Forward: []bridge.Forward{{ID: id}}},
			Receivers: []scenarios.Receiver{spec},
		},
		keys: []map[int]int{{}},
	}
	v.catalogue = newCatalogue(v.spec)
	d := &driver{plan: &scenarios.Plan{FixedPhases: true}, from: []time.Duration{never}}
	return &desk{receiver: newReceiver(d, v, 0, scenarios.Streams{})}
}

// hear delivers broadcast n at an instant.
func (d *desk) hear(at time.Duration, n int) {
	b := new(bridge.Broadcast)
	b.Sequence = uint16(n)
	b.Records = []bridge.Record{{Page: bridge.NoPage, ValidAt: time.Duration(n) * ms}}
	b.Retain(1 << 30)
	d.watch(at)
	d.arrive(at, b, false)
}

// watch advances event by event and notes what appears at the glass.
func (d *desk) watch(to time.Duration) {
	for at := d.next(); at < to; at = d.next() {
		d.step(at)
		if g := d.shown[0].glass; g.known && (len(d.values) == 0 || d.values[len(d.values)-1] != g.validAt) {
			d.shownAt, d.values = append(d.shownAt, at), append(d.values, g.validAt)
		}
	}
}

// A redraw every 100 ms that takes 31 ms shows, from its end, what was held at
// its start.
func TestTheGlassShowsTheValuesOfTheRedrawsStart(t *testing.T) {
	d := newDesk(scenarios.Receiver{Queue: 8, Handler: ms, Redraw: 100 * ms, Draw: 31 * ms})
	d.hear(50*ms, 1)  // handled at 51, in the redraw of 100..131
	d.hear(99*ms, 2)  // handled at 100: in that redraw, which starts as the handler ends
	d.hear(110*ms, 3) // waits for the redraw, handled at 132, shown at 231
	d.watch(400 * ms)
	require.Equal(t, []time.Duration{131 * ms, 231 * ms}, d.shownAt)
	require.Equal(t, []time.Duration{2 * ms, 3 * ms}, d.values)
}

// A redraw that falls due while another runs is dropped, not stacked, and one
// waiting broadcast is handled between two redraws.
func TestMissedRedrawsAreDropped(t *testing.T) {
	d := newDesk(scenarios.Receiver{Queue: 8, Handler: 10 * ms, Redraw: 100 * ms, Draw: 150 * ms})
	d.hear(20*ms, 1) // redraw 0..150 runs, that of 100 is dropped; handled 150..160; redraw 200..350
	d.hear(190*ms, 2)
	// Handled 190..200, in the redraw of 200. That of 300 is dropped; 400..550.
	d.hear(395*ms, 3) // handled 395..405, the due redraw goes next: 405..555
	d.watch(1000 * ms)
	require.Equal(t, []time.Duration{350 * ms, 555 * ms}, d.shownAt)
	require.Equal(t, []time.Duration{2 * ms, 3 * ms}, d.values)
}

// A full queue drops by its rule; the broadcast in service takes no place.
func TestAFullQueueDropsByItsRule(t *testing.T) {
	for rule, want := range map[scenarios.QueueRule]time.Duration{
		scenarios.QueueDropNew: 3 * ms, scenarios.QueueDropOldest: 5 * ms,
	} {
		d := newDesk(scenarios.Receiver{Queue: 2, QueueFull: rule, Handler: 10 * ms, MinRedraw: 0})
		for n := 1; n <= 5; n++ { // 1 in service, 2 and 3 wait
			d.hear(time.Duration(n)*ms, n)
		}
		d.watch(time.Second)
		require.EqualValues(t, 2, d.log[fate.RecordQueueFull])
		require.EqualValues(t, 3, d.log[fate.RecordTaken])
		require.Equal(t, want, d.values[len(d.values)-1])
	}
}

// The radio task moves a broadcast into the queue in 4 ms; its buffers overflow
// on their own, whatever the display does.
func TestTheDriversBuffersOverflow(t *testing.T) {
	d := newDesk(scenarios.Receiver{Queue: 8, Buffers: 2, Copy: 4 * ms})
	for n := 1; n <= 4; n++ { // copied until 5, 9: 3 and 4 find both buffers taken
		d.hear(time.Duration(n)*ms, n)
	}
	d.watch(time.Second)
	require.EqualValues(t, 2, d.log[fate.RecordQueueFull])
	require.Equal(t, []time.Duration{5 * ms, 9 * ms}, d.shownAt)
}

// On change: a redraw at once, but not more often than the spacing.
func TestRedrawOnChangeKeepsItsSpacing(t *testing.T) {
	d := newDesk(scenarios.Receiver{Queue: 8, MinRedraw: 50 * ms, Draw: 5 * ms})
	d.hear(10*ms, 1)
	d.hear(20*ms, 2)
	d.hear(30*ms, 3)
	d.watch(time.Second)
	require.Equal(t, []time.Duration{15 * ms, 65 * ms}, d.shownAt)
	require.Equal(t, []time.Duration{ms, 3 * ms}, d.values)
}

// A repeat is known by its sequence; a value that is held already, or older, is
// no update.
func TestOnlyNewerValuesAreTaken(t *testing.T) {
	d := newDesk(scenarios.Receiver{Queue: 8})
	d.hear(10*ms, 5)
	d.hear(11*ms, 5) // the repeat
	d.hear(12*ms, 4) // late
	d.watch(time.Second)
	require.EqualValues(t, 1, d.log[fate.RecordTaken])
	require.EqualValues(t, 1, d.log[fate.RecordDuplicate])
	require.EqualValues(t, 1, d.log[fate.RecordOlder])
}

func TestSequenceWindow(t *testing.T) {
	var w sequenceWindow
	require.True(t, w.add(65_530))
	require.False(t, w.add(65_530))
	require.True(t, w.add(3)) // wrapped
	require.True(t, w.add(65_535))
	require.False(t, w.add(65_535))
	require.True(t, w.add(2_000))
	require.False(t, w.add(2_000-windowSize), "too old to tell: counts as handled")
	require.True(t, w.add(2_000-windowSize+1))
	for s := uint16(2_001); s != 1_000; s++ {
		require.True(t, w.add(s))
		require.False(t, w.add(s))
	}
}

func TestTimetablePutsTheStageNearerToTheBusFirst(t *testing.T) {
	var table timetable
	table.reset(3)
	table.set(0, 5, takeWork)
	table.set(1, 5, frameWork)
	table.set(2, 5, frameWork)
	at, kind, index := table.first()
	require.Equal(t, []any{time.Duration(5), frameWork, 1}, []any{at, kind, index})
	require.EqualValues(t, 5, table.second(1))
	table.set(1, never, airWork)
	table.set(2, 9, frameWork)
	_, kind, index = table.first()
	require.Equal(t, []any{takeWork, 0}, []any{kind, index})
	require.EqualValues(t, 9, table.second(0))
}
