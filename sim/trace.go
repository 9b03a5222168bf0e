package sim

import (
	"cmp"
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// EventKind says what an [Event] tells.
type EventKind uint8

// The kinds of event.
const (
	// Passed: a value passes the stage. From hold to rate limit once for each
	// value, from send queue to collision for each broadcast that carries it, from
	// fading to handler for each of these and each display that hears it, redraw
	// when it is at the glass. There is no event of the source: the valid-time
	// says when that was. Stages that cost nothing are passed all the same.
	Passed EventKind = iota
	// AccessFailed: the medium never became free for a broadcast with the value.
	AccessFailed
	// FrameSettled: the fate of the frame is known for good, once for each frame.
	FrameSettled
	// RecordSettled: the fate of the value is known at one display, once for each
	// broadcast with it that was begun.
	RecordSettled
	// Drawing: a display begins to draw what it has in its memory.
	Drawing
	// Gap: the traffic before is not connected to what follows: all values held
	// are void.
	Gap
)

// Event is one step in the life of a record.
type Event struct {
	At          time.Duration
	Kind        EventKind
	Stage       fate.Stage  // Passed
	FrameFate   fate.Frame  // FrameSettled
	RecordFate  fate.Record // RecordSettled
	Frame       uint64      // number of the frame on the bus, from 1; 0 = none: Drawing, Gap
	ID          bus.ID
	Page        int           // bridge.NoPage where there is none
	ValidAt     time.Duration // of the value
	OfBroadcast bool          // the next two count
	Broadcast   uint32        // number of the broadcast, from 0
	Copy        int           // 0 = the first time it is sent
	Display     string        // "" = not at a display
	Data        []byte        // Passed the wire: the frame's; valid during the call only
}

// Trace runs one replication as [Run] does, with the same outcome, and tells emit
// the life of every record of the vehicle under design: of every data frame whose
// identifier is on the forward list or shown somewhere. wanted chooses by
// identifier and page; nil means all. Events come in order of time, those of one
// instant in the order in which they happened. The first error of emit ends the
// run and is returned. Memory does not grow with the length of the run.
func Trace(plan *scenarios.Plan, replication int, wanted func(id bus.ID, page int) bool, emit func(*Event) error) (*Replication, error) {
	return execute(plan, replication, &tracer{wanted: wanted, emit: emit}, func(*driver) {})
}

// tracer collects events and hands them out in order. Where nobody asks
// for it there is none.
type tracer struct {
	wanted func(id bus.ID, page int) bool
	emit   func(*Event) error
	err    error

	vehicle *vehicle
	forward []bridge.Forward
	pending []Event
	down    bool // a restart empties the bridge: what is inside is lost
}

// join follows a vehicle whose bridge is about to be built.
func (t *tracer) join(v *vehicle, config *bridge.Config) {
	t.vehicle, t.forward = v, config.Forward
	for _, f := range config.Forward {
		v.catalogue.know(f.ID, f.Selector)
	}
	watch := config.Watch
	config.Watch = func(stage fate.Stage, r *bridge.Record, at time.Duration) {
		watch(stage, r, at)
		if stage < fate.StageSendQueue { // that one is told for each broadcast
			t.add(r, Event{At: at, Kind: Passed, Stage: stage})
		}
	}
	config.Settled = func(f fate.Frame, r *bridge.Record, at time.Duration) {
		if f == fate.FrameInsideAtEnd && t.down {
			f = fate.FrameBridgeDown
		}
		t.add(r, Event{At: at, Kind: FrameSettled, FrameFate: f})
	}
}

// add completes an event of a record.
func (t *tracer) add(r *bridge.Record, e Event) {
	e.Frame, e.ID, e.Page, e.ValidAt = r.Frame, t.forward[r.Slot].ID, r.Page, r.ValidAt
	t.push(e)
}

func (t *tracer) push(e Event) {
	if t.wanted == nil || t.wanted(e.ID, e.Page) {
		t.pending = append(t.pending, e)
	}
}

// all adds an event for every record of a broadcast.
func (t *tracer) all(b *bridge.Broadcast, e Event) {
	e.OfBroadcast, e.Broadcast, e.Copy = true, b.Counter, b.Copy
	for i := range b.Records {
		t.add(&b.Records[i], e)
	}
}

// received notes a data frame of the bus.
func (t *tracer) received(c *carrier, f *bus.Frame) {
	e := Event{At: f.At, Kind: Passed, Stage: fate.StageWire, Frame: t.vehicle.frames, ID: f.ID, Page: bridge.NoPage, ValidAt: f.Released}
	if c.selector != nil {
		if page, ok := c.selector.Page(f.Payload()); ok {
			e.Page = page
		}
	}
	e.Data = slices.Clone(f.Payload())
	t.push(e)
}

// lost notes a frame that came while the bridge was down.
func (t *tracer) lost(f *bus.Frame) {
	if t == nil || f.Kind != bus.Data {
		return
	}
	for _, e := range t.forward {
		if e.ID == f.ID {
			page := bridge.NoPage
			if e.Selector != nil {
				if p, ok := e.Selector.Page(f.Payload()); ok {
					page = p
				}
			}
			t.push(Event{At: f.At, Kind: FrameSettled, FrameFate: fate.FrameBridgeDown, Frame: t.vehicle.frames, ID: f.ID, Page: page, ValidAt: f.Released})
		}
	}
}

// restarts marks what a bridge tells while it is emptied.
func (t *tracer) restarts(begins bool) {
	if t != nil {
		t.down = begins
	}
}

// passed notes that the values of a broadcast pass a stage, at a display or before
// all of them.
func (t *tracer) passed(display string, b *bridge.Broadcast, stage fate.Stage, at time.Duration) {
	t.all(b, Event{At: at, Kind: Passed, Stage: stage, Display: display})
}

// failed notes that a broadcast found no access to the medium.
func (t *tracer) failed(b *bridge.Broadcast, at time.Duration) {
	t.all(b, Event{At: at, Kind: AccessFailed})
}

// records notes the fate of all records of a broadcast at a display.
func (t *tracer) records(r *receiver, b *bridge.Broadcast, f fate.Record) {
	t.all(b, Event{At: r.now, Kind: RecordSettled, RecordFate: f, Display: r.spec.Name})
}

// record notes the fate of one record of the broadcast that a display handles.
func (t *tracer) record(r *receiver, record *bridge.Record, f fate.Record, at time.Duration) {
	b := r.current.broadcast
	t.add(record, Event{
		At: at, Kind: RecordSettled, RecordFate: f, Display: r.spec.Name,
		OfBroadcast: true, Broadcast: b.Counter, Copy: b.Copy,
	})
}

// shown notes that a value is at the glass from now on. Two groups of the display
// may show the same value.
func (t *tracer) shown(r *receiver, d *display, at time.Duration) {
	g := &d.glass
	again := func(e Event) bool {
		return e.Kind == Passed && e.Stage == fate.StageRedraw && e.Display == r.spec.Name && e.Frame == g.frame
	}
	if !slices.ContainsFunc(t.pending, again) {
		t.push(Event{
			At: at, Kind: Passed, Stage: fate.StageRedraw, Frame: g.frame, ID: d.group.id, Page: g.page, ValidAt: g.validAt, Display: r.spec.Name,
		})
	}
}

// drawing notes that a display begins a redraw.
func (t *tracer) drawing(r *receiver, at time.Duration) {
	t.pending = append(t.pending, Event{At: at, Kind: Drawing, Page: bridge.NoPage, Display: r.spec.Name})
}

// gap notes that all values held are void.
func (t *tracer) gap(at time.Duration) {
	t.pending = append(t.pending, Event{At: at, Kind: Gap, Page: bridge.NoPage})
}

// follow brings the receivers of a traced vehicle up to the present and hands out
// what has happened before it.
func (d *driver) follow(at time.Duration) {
	if d.trace == nil {
		return
	}
	d.settle(at)
	for _, r := range d.vehicles[0].receivers {
		r.advance(at)
	}
	d.trace.flush(at)
}

// flush hands out the events before an instant in order of time.
func (t *tracer) flush(before time.Duration) {
	if t == nil || len(t.pending) == 0 {
		return
	}
	slices.SortStableFunc(t.pending, func(a, b Event) int { return cmp.Compare(a.At, b.At) })
	n := 0
	for n < len(t.pending) && t.pending[n].At < before && t.err == nil {
		t.err = t.emit(&t.pending[n])
		n++
	}
	t.pending = append(t.pending[:0], t.pending[n:]...)
}

// stopped reports whether the run has to end early.
func (t *tracer) stopped() bool { return t != nil && t.err != nil }
