package explain

import (
	"slices"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// mostLives is how many values are told one by one.
const mostLives = 2000

// gatherer collects the lives of the values that could have ended what is
// explained.
type gatherer struct {
	e     *Explanation
	codec signal.Codec
	byID  map[uint64]*Life
	early []*Life // the latest before power-up
	terms terms

	listed        bool // the bridge is told to forward the message
	inSpell, over bool // the value that was changed to is on the bus; it was
	raw           uint64
}

func newGatherer(e *Explanation) *gatherer {
	return &gatherer{
		e: e, codec: signal.Compile(&e.Shown.Signal), byID: map[uint64]*Life{},
		terms:  terms{from: e.From, until: e.Until},
		listed: slices.ContainsFunc(e.Plan.Bridge.Forward, func(f bridge.Forward) bool { return f.ID == e.Shown.ID }),
	}
}

// take follows the events up to the end of the story.
func (g *gatherer) take(event *sim.Event) error {
	e := g.e
	if event.At > e.Until {
		return errDone
	}
	if event.Kind == sim.Drawing {
		if event.Display == e.Receiver.Name && event.At >= e.Origin && len(e.Draws) < mostLives {
			e.Draws = append(e.Draws, event.At)
		}
		return nil
	}
	if event.Kind == sim.Passed && (event.Display == "" || event.Display == e.Receiver.Name) {
		g.terms.pass(event)
	}
	if event.Kind == sim.Passed && event.Stage == fate.StageWire {
		g.receive(event)
	}
	if e.atPlace(event) {
		g.place(event)
	}
	if l := g.byID[event.Frame]; l != nil {
		l.note(event, e.Receiver.Name)
	}
	return nil
}

// receive begins the life of a value.
func (g *gatherer) receive(event *sim.Event) {
	e := g.e
	l := newLife(event.Frame, event.ValidAt, event.At)
	if !g.listed { // the bridge's trace knows nothing of it
		l.Settled, l.Fate = event.At, fate.FrameNotListed
	}
	switch e.Kind {
	case Oldest, Violation:
		if event.Frame == e.before.frame {
			e.Before = l
			g.byID[l.Frame] = l
			return
		}
		if event.ValidAt <= e.before.validAt {
			return
		}
	case Change, Lost:
		if !g.ofSpell(event) {
			return
		}
	case Start, Dark:
		if event.At < e.Receiver.PowerUp {
			if len(g.early) == mostLives {
				delete(g.byID, g.early[0].Frame)
				g.early = g.early[1:]
			}
			g.early = append(g.early, l)
			g.byID[l.Frame] = l
			return
		}
	}
	if len(e.Lives) >= mostLives && l.Frame != e.ender.frame {
		e.LeftOut++
		return
	}
	e.Lives = append(e.Lives, l)
	g.byID[l.Frame] = l
}

// ofSpell reports whether a frame carries the value that was changed to.
func (g *gatherer) ofSpell(event *sim.Event) bool {
	raw, ok := g.codec.Raw(event.Data)
	switch {
	case !ok || g.over || event.ValidAt < g.e.Worst.Change.ValidFrom:
		return false
	case !g.inSpell:
		g.inSpell, g.raw = true, raw
	case raw != g.raw:
		g.over = true
		g.e.Again = event.At
		return false
	}
	return true
}

// place notes a value that comes to where the limit counts.
func (g *gatherer) place(event *sim.Event) {
	e := g.e
	switch e.Kind {
	case Oldest, Violation:
		if event.At < e.Until && event.ValidAt > e.before.validAt {
			old := event.At - event.ValidAt
			if e.Between == 0 || old < e.Youngest {
				e.Youngest = old
			}
			e.Oldest = max(e.Oldest, old)
			e.Between++
		}
	case Lost:
		if event.At == e.Until && e.Ended {
			e.Later = event.ValidAt
		}
	}
	fresh := event.ValidAt >= e.Worst.Change.ValidFrom
	if e.Ended && fresh && event.At == e.Until && e.Kind != Lost && (e.ender.frame == 0 || e.ender.frame == event.Frame) {
		e.ender.frame = event.Frame
	}
}

// finish completes the story.
func (g *gatherer) finish() {
	e := g.e
	var inTime []*Life // of those before power-up
	for _, l := range g.early {
		l.Sendings = slices.DeleteFunc(l.Sendings, func(s Sending) bool { return s.Handed < e.Receiver.PowerUp })
		if len(l.Sendings) > 0 {
			inTime = append(inTime, l)
		}
	}
	e.Lives = append(inTime, e.Lives...)
	if e.Ended {
		e.Ender = g.byID[e.ender.frame]
	}
	if e.Kind == Violation || e.Kind == Oldest {
		e.Terms = g.terms.means(e.InMemory)
	}
}

// note writes an event into the life.
func (l *Life) note(event *sim.Event, display string) {
	here := event.Display == display
	switch event.Kind {
	case sim.FrameSettled:
		l.Settled, l.Fate = event.At, event.FrameFate
		return
	case sim.Passed:
		switch {
		case event.Stage < fate.StageSendQueue:
			if l.Passed[event.Stage] < 0 {
				l.Passed[event.Stage] = event.At
			}
			return
		case event.Stage == fate.StageSendQueue:
			l.Sendings = append(l.Sendings, Sending{
				Broadcast: event.Broadcast, Copy: event.Copy, Handed: event.At,
				Begun: never, Ended: never, Failed: never, Heard: never, Handling: never, Settled: never,
			})
			return
		case event.Stage == fate.StageRedraw:
			if here && l.Glass < 0 {
				l.Glass = event.At
			}
			return
		}
	}
	if s := l.sending(event.Broadcast, event.Copy); s != nil && event.OfBroadcast {
		s.note(event, here)
		if here && event.Kind == sim.RecordSettled && event.RecordFate == fate.RecordTaken {
			l.Taken = event.At
		}
	}
}

// note writes an event into the sending; here says that it is the display's.
func (s *Sending) note(event *sim.Event, here bool) {
	switch {
	case event.Kind == sim.AccessFailed:
		s.Failed = event.At
	case event.Kind == sim.RecordSettled && here:
		s.Settled, s.Fate = event.At, event.RecordFate
	case event.Kind != sim.Passed:
	case event.Stage == fate.StageAccess:
		s.Begun = event.At
	case event.Stage == fate.StageAirtime && s.Ended < 0:
		s.Ended = event.At
	case event.Stage == fate.StageFading && here:
		s.Heard = event.At
	case event.Stage == fate.StageReceiveQueue && here:
		s.Handling = event.At
	}
}

// terms integrates the newest valid-time that has passed each stage.
type terms struct {
	from, until time.Duration
	last        time.Duration
	newest      [fate.Stages]time.Duration
	sums        [fate.Stages]age.Int128
}

// pass takes a passage in.
func (t *terms) pass(event *sim.Event) {
	t.advance(event.At)
	t.newest[event.Stage] = max(t.newest[event.Stage], event.ValidAt)
}

func (t *terms) advance(at time.Duration) {
	begin, end := max(t.last, t.from), min(at, t.until)
	if end > begin {
		for k := range t.sums {
			t.sums[k] = t.sums[k].Add(age.Product(int64(t.newest[k]), int64(end-begin)))
		}
	}
	t.last = max(t.last, at)
}

// twice returns twice the integral of every term; that of the source is part of
// the wire's.
func (t *terms) twice() (all [fate.Stages]age.Int128) {
	t.advance(t.until)
	squares := age.Product(int64(t.until), int64(t.until)).Sub(age.Product(int64(t.from), int64(t.from)))
	all[fate.StageWire] = squares.Sub(t.sums[fate.StageWire].Add(t.sums[fate.StageWire]))
	for k := fate.StageWire + 1; k < fate.Stages; k++ {
		lag := t.sums[k-1].Sub(t.sums[k])
		all[k] = lag.Add(lag)
	}
	return all
}

// means returns the mean of every term, in memory without that of the redraw.
func (t *terms) means(inMemory bool) (means [fate.Stages]time.Duration) {
	if t.until <= t.from {
		return means
	}
	for k, twice := range t.twice() {
		means[k] = time.Duration(twice.Float64() / 2 / float64(t.until-t.from))
	}
	if inMemory {
		means[fate.StageRedraw] = 0
	}
	return means
}
