package explain

import (
	"context"
	"errors"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/sim"
)

// errDone ends a trace that has told all that was asked for.
var errDone = errors.New("all is known")

// trace repeats the replication and hands on what concerns the signal's frames.
func trace(ctx context.Context, e *Explanation, take func(*sim.Event) error) error {
	page, paged := e.Shown.Signal.Page, e.Plan.Selector(e.Shown.ID) != nil
	wanted := func(id bus.ID, p int) bool {
		return id == e.Shown.ID && (!paged || page == signal.AnyPage || p == page)
	}
	_, err := sim.Trace(e.Plan, e.Replication, wanted, func(event *sim.Event) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return take(event)
	})
	if errors.Is(err, errDone) {
		return nil
	}
	return err
}

// value is a value that is held somewhere.
type value struct {
	known   bool
	frame   uint64
	validAt time.Duration
}

// locator finds the instants of what is explained in the events of a replication.
type locator struct {
	e         *Explanation
	from, end time.Duration // of the window
	limit     time.Duration // 0 = look for the oldest value

	held   value // where the limit counts
	onOpen bool  // a value is at the glass: ages count
	opened time.Duration
	run    time.Duration // begin of the present time over the limit, -1 = none
	before value         // held at that begin
	found  time.Duration // length of what was found
}

func newLocator(e *Explanation, from, end time.Duration) *locator {
	l := &locator{e: e, from: from, end: end, run: -1}
	if e.Kind == Violation {
		l.limit = e.Shown.Limit.Value
	}
	return l
}

// take follows the events up to what is looked for.
func (l *locator) take(event *sim.Event) error {
	switch l.e.Kind {
	case Oldest, Violation:
		l.takeAge(event)
		return nil
	case Start:
		if l.e.atPlace(event) {
			l.e.set(l.e.Receiver.PowerUp, event.At, true)
			return errDone
		}
	case Change, Lost:
		if l.e.atPlace(event) && event.ValidAt >= l.e.Worst.Change.ValidFrom {
			l.e.set(l.e.Worst.Change.Changed, event.At, true)
			return errDone
		}
	}
	return nil
}

// finish closes what is under way at the end of the run.
func (l *locator) finish() {
	switch l.e.Kind {
	case Oldest, Violation:
		l.pass(l.end, value{})
	case Start, Dark:
		if !l.e.Ended {
			l.e.set(l.e.Receiver.PowerUp, l.end, false)
		}
	default:
		if !l.e.Ended {
			l.e.set(l.e.Worst.Change.Changed, l.end, false)
		}
	}
}

// takeAge follows the age.
func (l *locator) takeAge(event *sim.Event) {
	if event.Kind == sim.Gap {
		l.pass(event.At, value{})
		l.held, l.onOpen = value{}, false
		return
	}
	if l.e.atPlace(event) && (!l.held.known || event.ValidAt > l.held.validAt) {
		next := value{true, event.Frame, event.ValidAt}
		l.pass(event.At, next)
		l.held = next
	}
	if l.e.atGlass(event) && !l.onOpen {
		l.onOpen, l.opened = true, max(event.At, l.from)
	}
}

// pass lets time pass up to an instant at which the next value comes, or none.
func (l *locator) pass(at time.Duration, next value) {
	if !l.onOpen || !l.held.known || at <= l.opened {
		return
	}
	if l.limit == 0 {
		if length := at - l.held.validAt; length > l.found {
			l.found = length
			l.e.locate(max(l.opened, l.held.validAt), at, l.held, next)
		}
		return
	}
	if at-l.held.validAt > l.limit && l.run < 0 {
		l.run, l.before = max(l.opened, l.held.validAt+l.limit), l.held
	}
	if l.run < 0 || next.known && at-next.validAt > l.limit {
		return
	}
	if length := at - l.run; length > l.found {
		l.found = length
		l.e.locate(l.run, at, l.before, next)
	}
	l.run = -1
}

// locate notes what was found.
func (e *Explanation) locate(from, until time.Duration, before, next value) {
	e.set(from, until, next.known)
	e.Origin, e.before, e.ender = before.validAt, before, next
}

// set notes the instants of what was found.
func (e *Explanation) set(from, until time.Duration, ended bool) {
	e.Origin, e.From, e.Until, e.Ended = from, from, until, ended
}

// atGlass reports whether an event brings a value to the glass of the display.
func (e *Explanation) atGlass(event *sim.Event) bool {
	return event.Kind == sim.Passed && event.Stage == fate.StageRedraw && event.Display == e.Receiver.Name
}

// atPlace reports whether an event brings a value to where the limit counts.
func (e *Explanation) atPlace(event *sim.Event) bool {
	if e.InMemory {
		return event.Kind == sim.RecordSettled && event.RecordFate == fate.RecordTaken && event.Display == e.Receiver.Name
	}
	return e.atGlass(event)
}
