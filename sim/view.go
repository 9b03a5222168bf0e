package sim

import (
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// Changes is what a display has shown of the changes of a signal, counted where
// its limit counts. A change counts when it lies inside the window and its limit
// ends inside it too.
type Changes struct {
	Count       uint64 // changes that a frame carried
	InTime      uint64 // shown within the limit
	Never       uint64 // never shown, or not until the end
	Overwritten uint64 // further changes, which no frame carried
	Rises       uint64 // of Count: to another value than 0
	RisesSeen   uint64 // of these: ever shown
}

// Wrong is when a display showed another value than the bus had carried last.
type Wrong struct {
	Observed time.Duration // inside the window, with a value at the glass
	Time     time.Duration // of this: with a wrong value
	Spells   uint64        // stretches of wrong time
	Longest  time.Duration
	// TwiceArea is twice the integral of the age of incorrect information: 0
	// while the value is right, else the time since it was (Maatouk, Kriouile,
	// Assaad, Ephremides, IEEE/ACM Transactions on Networking 28(5), 2020).
	TwiceArea age.Int128
}

// ValueRun is what one display measured of the values of a signal.
type ValueRun struct {
	Changes Changes
	Phases  []Changes  // by phase of the plan; nil when it has fewer than two
	Delays  age.Points // from a change to its showing, of those shown
	Wrong   Wrong
	Worst   WorstChange
}

// WorstChange is the change that was shown latest of those that count, or the first
// of those that were never shown.
type WorstChange struct {
	Known, Never bool
	Changed      time.Duration // when the value changed at its source
	ValidFrom    time.Duration // valid-time of the first frame with the new value
	Delay        time.Duration // until it was shown
}

// note takes another change in.
func (w *WorstChange) note(s *spell, delay time.Duration, shown bool) {
	if w.Known && (w.Never || shown && delay <= w.Delay) {
		return
	}
	*w = WorstChange{Known: true, Never: !shown, Changed: s.changed, ValidFrom: s.validFrom, Delay: delay}
}

// view is a signal on a display as seen by its values.
type view struct {
	history  *history
	receiver *receiver
	inMemory bool          // changes count in memory, not at the glass
	limit    time.Duration // of a change; 0 = none
	end      time.Duration // of the run

	next   int64 // number of the first spell that has not been decided
	glass  int64 // of the spell at the glass, where changes count in memory
	counts []Changes
	delays age.Points
	worst  WorstChange

	wanted bool // inside the window, with a frame's value at the glass
	shown  bool // raw is at the glass: a frame can be too short to tell
	open   bool // both: the glass is compared with the bus
	raw    uint64
	onBus  int64         // number of the spell on the bus at since
	since  time.Duration // followed until here
	wrong  bool
	spoilt time.Duration // begin of the wrong stretch
	opened time.Duration // begin of the comparison
	errors Wrong
}

func newView(h *history, r *receiver, s *scenarios.Shown, end time.Duration) *view {
	v := &view{history: h, receiver: r, end: end, counts: make([]Changes, len(r.phases))}
	if s.Limit != nil && s.Limit.Of == scenarios.OfChange {
		v.limit, v.inMemory = s.Limit.Value, s.Limit.At == scenarios.InMemory
	}
	h.views = append(h.views, v)
	return v
}

// countOf returns where a change at an instant counts, nil when it does not.
func (v *view) countOf(changed time.Duration) *Changes {
	if changed < v.receiver.from || changed > v.end-v.limit {
		return nil
	}
	phases := v.receiver.phases
	k := len(phases) - 1
	for k > 0 && phases[k].from > changed {
		k--
	}
	return &v.counts[k]
}

// see notes that the value valid at validAt is shown from t on and returns its
// spell, nil when it is older than what is kept.
func (v *view) see(t, validAt time.Duration) *spell {
	h := v.history
	v.skip(h.first)
	at := v.next
	for at < h.end() && h.spell(at).validFrom <= validAt {
		at++
	}
	at-- // the spell of this value
	if at >= v.next {
		for ; v.next < at; v.next++ {
			v.decide(h.spell(v.next), 0, false)
		}
		s := h.spell(at)
		v.decide(s, t-s.changed, true)
		v.next = at + 1
	}
	if at < h.first {
		return nil
	}
	return h.spell(at)
}

// held returns the spell of the value that was valid at an instant, nil when it
// is not kept any more.
func (v *view) held(validAt time.Duration) *spell {
	h := v.history
	for at := h.end() - 1; at >= h.first; at-- {
		if s := h.spell(at); s.validFrom <= validAt {
			v.glass = at
			return s
		}
	}
	return nil
}

// decide counts a change that was shown after a delay, or never.
func (v *view) decide(s *spell, delay time.Duration, shown bool) {
	c := v.countOf(s.changed)
	if c == nil {
		return
	}
	c.Count++
	v.worst.note(s, delay, shown)
	if s.raw != 0 {
		c.Rises++
	}
	if !shown {
		c.Never++
		return
	}
	if s.raw != 0 {
		c.RisesSeen++
	}
	if v.limit == 0 || delay <= v.limit {
		c.InTime++
	}
	v.delays.Add(delay, 1)
}

// needs is the number of the oldest spell that the view may still ask for.
func (v *view) needs() int64 {
	need := v.next
	if v.inMemory {
		need = min(need, v.glass)
	}
	if v.open {
		need = min(need, v.onBus)
	}
	return need
}

// skip gives up on the changes before a number.
func (v *view) skip(number int64) {
	for ; v.next < number && v.next < v.history.end(); v.next++ {
		if v.next >= v.history.first {
			v.decide(v.history.spell(v.next), 0, false)
		}
	}
	v.next = max(v.next, number)
}

// start begins to compare the glass with the bus, as soon as a value is shown.
func (v *view) start(t time.Duration) {
	v.wanted = true
	if !v.shown {
		return
	}
	h := v.history
	v.open, v.since, v.opened = true, t, t
	v.onBus = h.first
	for v.onBus+1 < h.end() && h.spell(v.onBus+1).seen <= t {
		v.onBus++
	}
	v.wrong = false
	v.compare(t)
}

// show notes the value that the glass has from t on.
func (v *view) show(t time.Duration, raw uint64) {
	if v.open {
		v.follow(t)
	}
	v.raw, v.shown = raw, true
	switch {
	case v.open:
		v.compare(t)
	case v.wanted:
		v.start(t)
	}
}

// follow compares the glass with the bus until t.
func (v *view) follow(t time.Duration) {
	if !v.open {
		return
	}
	h := v.history
	for v.onBus+1 < h.end() && h.spell(v.onBus+1).seen <= t {
		v.onBus++
		at := max(h.spell(v.onBus).seen, v.since)
		v.since = at
		v.compare(at)
	}
	v.since = max(v.since, t)
}

// compare notes at t whether the glass is right.
func (v *view) compare(t time.Duration) {
	wrong := v.history.spell(v.onBus).raw != v.raw
	switch {
	case wrong == v.wrong:
		return
	case wrong:
		v.errors.Spells++
		v.spoilt = t
	default:
		v.settle(t)
	}
	v.wrong = wrong
}

// settle ends a wrong stretch.
func (v *view) settle(t time.Duration) {
	length := t - v.spoilt
	v.errors.Time += length
	v.errors.Longest = max(v.errors.Longest, length)
	v.errors.TwiceArea = v.errors.TwiceArea.Add(age.Product(int64(length), int64(length)))
}

// stop ends the comparison at t.
func (v *view) stop(t time.Duration) {
	v.wanted = false
	if !v.open {
		return
	}
	v.follow(t)
	if v.wrong {
		v.settle(t)
	}
	v.errors.Observed += t - v.opened
	v.open, v.wrong = false, false
}

// cut drops the changes that are still undecided: at a gap of the traffic nobody
// knows what became of them.
func (v *view) cut() { v.next, v.shown = v.history.end(), false }

// result closes the view at the end of the run.
func (v *view) result() ValueRun {
	v.skip(v.history.end())
	r := ValueRun{Delays: v.delays, Wrong: v.errors, Worst: v.worst}
	for _, c := range v.counts {
		r.Changes.Add(&c)
	}
	if len(v.counts) > 1 {
		r.Phases = v.counts
	}
	return r
}

// Add adds what another run counted.
func (c *Changes) Add(d *Changes) {
	c.Count += d.Count
	c.InTime += d.InTime
	c.Never += d.Never
	c.Overwritten += d.Overwritten
	c.Rises += d.Rises
	c.RisesSeen += d.RisesSeen
}
