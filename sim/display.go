package sim

import (
	"slices"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// ownStages are the stages that belong to one receiver.
const ownStages = int(fate.Stages) - sharedStages

// display is one group of signals at one receiver: what is held in memory, what
// is at the glass, and the tracks of their ages.
type display struct {
	group  *group
	passed [ownStages]age.Passage

	memory, drawing, glass held
	dirty                  bool
	tracks                 []*tracks
	signals                []shownAs
	views                  []*view       // of the signals whose values are followed
	first                  time.Duration // when a value was at the glass for the first time, if any was
	ever                   bool

	open    bool
	opening time.Duration
	before  [fate.Stages]age.Int128 // integrals when the tracks opened
	during  [fate.Stages]age.Int128 // summed over the spans that have closed
	squares age.Int128              // sum of end^2 - opening^2 over those spans
}

// shownAs says which tracks and views follow a shown signal.
type shownAs struct {
	index  int
	tracks int
	expiry int // tracks whose limit is its expiry; -1 = none
	view   int // -1 = none
}

// tracks are the ages of the signals of a display that share a limit.
type tracks struct {
	limit                *scenarios.Limit
	glass, memory, floor *age.Track
	phases               []*age.Track // at the glass, by phase; nil without phases
	deadlines            deadlines    // with a limit of age at the glass
}

func (d *display) pass(stage fate.Stage, at, validAt time.Duration) {
	d.passed[int(stage)-sharedStages].Pass(at, at, validAt)
}

// integrals returns the integral of the newest valid-time of every stage.
func (d *display) integrals(at time.Duration) (sums [fate.Stages]age.Int128) {
	for k := range sums {
		if k < sharedStages {
			sums[k] = d.group.passed[k].Integral(at)
		} else {
			sums[k] = d.passed[k-sharedStages].Integral(at)
		}
	}
	return sums
}

// start opens the tracks at t. All of them cover the same instants: otherwise
// the terms of the waterfall would not add up to the age.
func (d *display) start(t time.Duration, phase int) {
	d.open, d.opening = true, t
	d.before = d.integrals(t)
	received, ok := d.group.passed[fate.StageWire].Newest(t)
	if !ok {
		panic("sim: a value is at the glass that was never received on the bus")
	}
	for _, k := range d.tracks {
		k.glass.Open(t, d.glass.validAt)
		k.memory.Open(t, d.memory.validAt)
		k.floor.Open(t, received)
		if k.phases != nil {
			k.phases[phase].Open(t, d.glass.validAt)
		}
		d.group.floors = append(d.group.floors, k.floor)
	}
	for _, v := range d.views {
		v.start(t)
	}
}

// stop closes the tracks at t.
func (d *display) stop(t time.Duration) {
	if !d.open {
		return
	}
	d.open = false
	now := d.integrals(t)
	for k := range now {
		d.during[k] = d.during[k].Add(now[k].Sub(d.before[k]))
	}
	d.squares = d.squares.Add(age.Product(int64(t), int64(t)).Sub(age.Product(int64(d.opening), int64(d.opening))))
	for _, k := range d.tracks {
		k.glass.Close(t)
		k.memory.Close(t)
		k.floor.Close(t)
		for _, p := range k.phases {
			if p.IsOpen() {
				p.Close(t)
			}
		}
	}
	for _, v := range d.views {
		v.stop(t)
	}
	kept := d.group.floors[:0]
	for _, floor := range d.group.floors {
		if floor.IsOpen() {
			kept = append(kept, floor)
		}
	}
	d.group.floors = kept
}

// waterfall returns twice the integral of each term over the closed spans: the
// age is now minus the newest value released, plus what each later stage lags
// behind the one before it.
func (d *display) waterfall() (terms [fate.Stages]age.Int128) {
	terms[0] = d.squares.Sub(d.during[0].Add(d.during[0]))
	for k := 1; k < len(terms); k++ {
		lag := d.during[k-1].Sub(d.during[k])
		terms[k] = lag.Add(lag)
	}
	return terms
}

// start begins the steady-state window.
func (r *receiver) start(t time.Duration) {
	r.started = true
	for _, d := range r.shown {
		if d.glass.known {
			d.start(t, r.phase)
			r.opened++
		}
	}
}

// startHandling lets the values of the current broadcast leave the queue.
func (r *receiver) startHandling(t time.Duration) {
	if r.current.foreign || r.spec.Foreign {
		return
	}
	r.passAll(r.current.broadcast, fate.StageReceiveQueue, t)
}

// passAll notes that every shown value of a broadcast passes a stage.
func (r *receiver) passAll(b *bridge.Broadcast, stage fate.Stage, t time.Duration) {
	if r.trace != nil {
		r.trace.passed(r.spec.Name, b, stage, t)
	}
	for i := range b.Records {
		record := &b.Records[i]
		any, paged := r.find(record)
		if any != nil {
			any.pass(stage, t, record.ValidAt)
		}
		if paged != nil {
			paged.pass(stage, t, record.ValidAt)
		}
	}
}

// find returns the displays that show a record; either may be nil.
func (r *receiver) find(record *bridge.Record) (any, paged *display) {
	c := r.home.catalogue.slot[record.Slot]
	if c == nil {
		return nil, nil
	}
	a, p := c.groups(record.Page)
	if a != nil {
		any = r.displays[a.index]
	}
	if p != nil {
		paged = r.displays[p.index]
	}
	return any, paged
}

// endHandling brings the values of the current broadcast into memory.
func (r *receiver) endHandling(t time.Duration) {
	b := r.current.broadcast
	if r.current.foreign {
		r.note(b, true, fate.RecordTaken)
		return
	}
	if r.spec.Foreign {
		r.note(b, false, fate.RecordWrongLayout)
		return
	}
	if r.seen.behind(b.Sequence) > r.home.lag {
		r.seen = sequenceWindow{} // the bridge has restarted
		r.restarts++
	}
	if !r.seen.add(b.Sequence) {
		r.note(b, false, fate.RecordDuplicate)
		return
	}
	r.passAll(b, fate.StageHandler, t)
	for i := range b.Records {
		r.take(t, &b.Records[i])
	}
}

// take brings one record into memory. Only a strictly newer value counts.
func (r *receiver) take(t time.Duration, record *bridge.Record) {
	key := r.home.key(record.Slot, record.Page)
	for key >= len(r.values) {
		r.values = append(r.values, held{})
	}
	v := &r.values[key]
	switch {
	case record.ValidAt < r.home.voidBefore || v.known && record.ValidAt < v.validAt:
		r.log[fate.RecordOlder]++
		if r.trace != nil {
			r.trace.record(r, record, fate.RecordOlder, t)
		}
		return
	case v.known && record.ValidAt == v.validAt:
		r.log[fate.RecordSame]++
		if r.trace != nil {
			r.trace.record(r, record, fate.RecordSame, t)
		}
		return
	}
	r.log[fate.RecordTaken]++
	if r.trace != nil {
		r.trace.record(r, record, fate.RecordTaken, t)
	}
	*v = held{validAt: record.ValidAt, frame: record.Frame, page: record.Page, known: true}
	any, paged := r.find(record)
	r.remember(t, any, v)
	r.remember(t, paged, v)
}

// remember updates a display's value in memory.
func (r *receiver) remember(t time.Duration, d *display, value *held) {
	validAt := value.validAt
	if d == nil || d.memory.known && validAt <= d.memory.validAt {
		return
	}
	d.memory = *value
	for _, v := range d.views {
		if v.inMemory {
			v.see(t, validAt)
		}
	}
	if d.open {
		for _, k := range d.tracks {
			k.memory.Update(t, validAt)
		}
	}
	if !d.dirty {
		d.dirty = true
		r.dirty = append(r.dirty, d)
	}
	if r.spec.Redraw == 0 {
		r.wanted = true
	}
}

// startRedraw takes the values that the redraw shows when it ends.
func (r *receiver) startRedraw() {
	r.drawn, r.dirty = r.dirty, r.drawn[:0]
	for _, d := range r.drawn {
		d.dirty = false
		d.drawing = d.memory
	}
}

// endRedraw puts them on the glass.
func (r *receiver) endRedraw(t time.Duration) {
	for _, d := range r.drawn {
		if !d.drawing.known {
			continue
		}
		if !d.glass.known {
			r.known++
		}
		d.toGlass(t, r)
		d.pass(fate.StageRedraw, t, d.glass.validAt)
		if r.trace != nil {
			r.trace.shown(r, d, t)
		}
		if d.open {
			for _, k := range d.tracks {
				k.glass.Update(t, d.glass.validAt)
				if k.phases != nil {
					k.phases[r.phase].Update(t, d.glass.validAt)
				}
			}
		} else if r.started {
			d.start(t, r.phase)
			r.opened++
		}
	}
	if !r.full && r.known == len(r.shown) {
		r.full, r.filled = true, t
	}
}

// toGlass shows what was drawn.
func (d *display) toGlass(t time.Duration, r *receiver) {
	for _, k := range d.tracks {
		if k.deadlines.limit > 0 {
			k.deadlines.decide(d.group, t, r.from, r.end, d.glass)
		}
	}
	d.glass = d.drawing
	if !d.ever {
		d.ever, d.first = true, t
	}
	for _, v := range d.views {
		if v.inMemory {
			if s := v.held(d.glass.validAt); s != nil {
				v.show(t, s.raw)
			}
		} else if s := v.see(t, d.glass.validAt); s != nil {
			v.show(t, s.raw)
		}
	}
}

// void forgets every value at t: what was held is not connected to what comes.
func (r *receiver) void(t time.Duration) {
	for _, d := range r.shown {
		d.stop(t)
		for _, v := range d.views {
			v.cut()
		}
		for _, k := range d.waiting() {
			k.deadlines.cut(d.group, t, r, d.glass)
		}
		d.memory, d.drawing, d.glass = held{}, held{}, held{}
	}
	clear(r.values)
	r.known, r.opened = 0, 0
}

// show adds a signal of the display. Signals with the same limit have the same
// ages in every respect.
func (d *display) show(r *receiver, index int, s *scenarios.Shown) {
	shown := shownAs{index: index, tracks: d.tracksOf(s.Limit, s.Firm, len(r.phases)), expiry: -1, view: -1}
	if s.Expire > 0 {
		shown.expiry = d.tracksOf(&scenarios.Limit{Value: s.Expire}, scenarios.Firm{}, 0)
	}
	d.signals = append(d.signals, shown)
}

// tracksOf returns the index of the tracks of a limit, made where they are new.
func (d *display) tracksOf(limit *scenarios.Limit, firm scenarios.Firm, phases int) int {
	at := slices.IndexFunc(d.tracks, func(k *tracks) bool {
		same := k.limit == limit || k.limit != nil && limit != nil && *k.limit == *limit
		return same && k.deadlines.firm == firm && len(k.phases) > 1 == (phases > 1)
	})
	if at < 0 {
		at = len(d.tracks)
		d.tracks = append(d.tracks, newTracks(limit, firm, phases))
	}
	return at
}

// newTracks makes the tracks of a limit.
func newTracks(limit *scenarios.Limit, firm scenarios.Firm, phases int) *tracks {
	var glass, memory, floor time.Duration
	k := &tracks{limit: limit}
	k.deadlines.firm = firm
	if limit != nil && limit.Of != scenarios.OfFirstPicture {
		floor = limit.Value
		if limit.At == scenarios.InMemory {
			memory = limit.Value
		} else {
			glass = limit.Value
			if limit.Of == scenarios.OfAge && firm.Of > 0 {
				k.deadlines.limit = limit.Value
			}
		}
	}
	k.glass, k.memory, k.floor = age.NewTrack(glass), age.NewTrack(memory), age.NewTrack(floor)
	if phases > 1 {
		for range phases {
			k.phases = append(k.phases, age.NewTrack(glass))
		}
	}
	return k
}
