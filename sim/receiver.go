package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// never lies after every instant of a run.
const never = time.Duration(1<<63 - 1)

// job is what the receiver's processor is doing.
type job uint8

const (
	idle job = iota
	handling
	drawing
)

// arrival is a broadcast on its way into the receive queue.
type arrival struct {
	at        time.Duration
	broadcast *bridge.Broadcast
	foreign   bool // of another set or layout: costs handler time, brings nothing
}

// receiver is one display: the radio driver's buffers, the receive queue, one
// processor that handles and draws, and the values in memory and at the glass.
//
// It is advanced in bulk: nothing here acts back on the air, so its own events
// wait until somebody needs to know.
type receiver struct {
	spec     *scenarios.Receiver
	home     *vehicle
	listener *radio.Listener
	log      [fate.Records]uint64
	foreign  [fate.Foreigns]uint64

	coming   ring[arrival] // in the radio driver's buffers
	copyFree time.Duration // when the radio task is free again
	waiting  ring[arrival] // in the receive queue
	current  arrival       // being handled
	doing    job
	until    time.Duration // when the processor is free again

	nextRedraw time.Duration // periodic redraws: next due instant
	wanted     bool          // a redraw is due
	served     bool          // a broadcast was handled since the last redraw
	lastRedraw time.Duration // start of the last redraw

	seen     sequenceWindow
	restarts uint64     // of the bridge, noticed by its sequence
	values   []held     // by key, see vehicle.key
	displays []*display // by index of the vehicle's groups, nil where not shown here
	shown    []*display // those that are not nil
	dirty    []*display // changed in memory since the last redraw started
	drawn    []*display // in the redraw that is running
	known    int        // displays whose value is known at the glass
	opened   int        // displays whose tracks are open

	phases []phase // at least one
	phase  int     // the present one

	from    time.Duration // start of the steady-state window
	end     time.Duration // of the run
	started bool
	filled  time.Duration // when every display was known for the first time
	full    bool
	now     time.Duration

	trace *tracer // nil when nobody asks for the lives of records
}

// held is the value of one slot and page in memory.
type held struct {
	validAt time.Duration
	frame   uint64 // that brought it to the bridge
	page    int
	known   bool
}

// pendingOpen reports whether a track of this receiver is still closed, so that
// it must not lag behind the stages before it.
func (r *receiver) pendingOpen() bool { return r.opened < len(r.shown) }

// arrive hands the receiver a broadcast that it heard until at.
func (r *receiver) arrive(at time.Duration, b *bridge.Broadcast, foreign bool) {
	r.advance(at)
	if r.coming.len() >= r.spec.Buffers && r.spec.Buffers > 0 {
		r.lose(arrival{at: at, broadcast: b, foreign: foreign})
		return
	}
	r.copyFree = max(at, r.copyFree) + r.spec.Copy
	r.coming.push(arrival{at: r.copyFree, broadcast: b, foreign: foreign})
	r.step(at)
}

// lose drops a broadcast at a full queue.
func (r *receiver) lose(a arrival) {
	r.note(a.broadcast, a.foreign, fate.RecordQueueFull)
	a.broadcast.Release()
}

// advance brings the receiver up to, but not including, what happens at the
// instant to.
func (r *receiver) advance(to time.Duration) {
	for {
		at := r.next()
		if at >= to {
			break
		}
		r.step(at)
	}
	r.now = max(r.now, to)
}

// finish brings the receiver up to and including the end of the run.
func (r *receiver) finish(end time.Duration) {
	r.advance(end)
	r.step(end)
}

// next returns the instant of the receiver's next own event.
func (r *receiver) next() time.Duration {
	at := never
	if !r.started {
		at = r.from
	}
	if r.phase+1 < len(r.phases) {
		at = min(at, r.phases[r.phase+1].from)
	}
	if r.doing != idle {
		at = min(at, r.until)
	}
	if r.coming.len() > 0 {
		at = min(at, r.coming.front().at)
	}
	if r.spec.Redraw > 0 {
		at = min(at, r.nextRedraw)
	} else if r.wanted && r.doing == idle {
		at = min(at, max(r.lastRedraw+r.spec.MinRedraw, r.now))
	}
	return at
}

// step performs everything that happens at the instant t. What lies nearer to
// the bus goes first: the end of a job, then the queue, then the redraw.
func (r *receiver) step(t time.Duration) {
	r.now = t
	if !r.started && t >= r.from {
		r.start(t)
	}
	if r.phase+1 < len(r.phases) && t >= r.phases[r.phase+1].from {
		r.enterPhase(t)
	}
	for moved := true; moved; {
		moved = false
		if r.doing != idle && r.until <= t {
			r.complete(t)
			moved = true
		}
		if r.coming.len() > 0 && r.coming.front().at <= t {
			r.enqueue(r.coming.pop())
			moved = true
		}
		r.noteRedraw(t)
		if r.doing == idle && r.begin(t) {
			moved = true
		}
	}
}

// enqueue puts a broadcast into the receive queue. The one in service takes no
// waiting place.
func (r *receiver) enqueue(a arrival) {
	if r.waiting.len() >= r.spec.Queue {
		if r.spec.QueueFull == scenarios.QueueDropNew {
			r.lose(a)
			return
		}
		r.lose(r.waiting.pop())
	}
	r.waiting.push(a)
}

// noteRedraw marks a periodic redraw that is due. One that falls into a running
// redraw is dropped.
func (r *receiver) noteRedraw(t time.Duration) {
	for r.spec.Redraw > 0 && r.nextRedraw <= t {
		if r.doing != drawing {
			r.wanted = true
		}
		r.nextRedraw += r.spec.Redraw
	}
}

// begin starts the next job on the free processor and reports whether there was
// one. A due redraw goes first, but at least one waiting broadcast is handled
// between two redraws, and one that takes no time to handle is never kept
// waiting.
func (r *receiver) begin(t time.Duration) bool {
	due := r.wanted && (r.spec.Redraw > 0 || t >= r.lastRedraw+r.spec.MinRedraw)
	queued := r.waiting.len() > 0
	if due && (!queued || r.served && r.spec.Handler > 0) {
		r.wanted, r.served = false, false
		r.lastRedraw = t
		r.doing, r.until = drawing, t+r.spec.Draw
		if r.trace != nil {
			r.trace.drawing(r, t)
		}
		r.startRedraw()
		return true
	}
	if queued {
		r.current = r.waiting.pop()
		r.doing, r.until = handling, t+r.spec.Handler
		r.startHandling(t)
		return true
	}
	return false
}

// complete ends the job at t.
func (r *receiver) complete(t time.Duration) {
	if r.doing == drawing {
		r.doing = idle
		r.endRedraw(t)
		return
	}
	r.doing, r.served = idle, true
	r.endHandling(t)
	r.current.broadcast.Release()
	r.current = arrival{}
}
