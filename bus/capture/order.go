package capture

import (
	"stalegauge/bus"
)

// Marks of direction. Where two lines tell of one frame, the earlier one is the
// request of the logging node itself.
const (
	received  = 1
	sent      = 2
	requested = 3
)

// entry is a line understood as a frame. The frame's times are not yet set.
type entry struct {
	stamp   int64 // ns, as the line says it
	line    int64
	channel uint8
	mark    uint8 // of direction, 0 = none
	rawDLC  bool
	frame   bus.Frame // last: of a classic one the rear part is never touched
}

const (
	windowFrames = 1 << 12 // frames held in Window: twice what two busy buses carry in it
	twinReach    = 64      // entries looked at for a twin without a mark
	requestReach = 512     // entries looked at for the request of a frame
	// A push accepts at most three entries: the two in doubt and the new one.
	windowSpare = 4
	// The window, the two in doubt and the one being read.
	poolEntries = windowFrames + 3
	// Further apart, in ns, than any two entries that shortest makes twins.
	farApart = (67 + 64) * 1000
	// Stamps that are all multiples of 0.1 ms are too coarse to tell a twin from
	// a frame sent again.
	coarse = 100_000
)

// order puts entries into the order of their stamps inside Window.
//
// A stamp more than Window ahead is believed unless the next two that are not
// themselves too late both fall back behind it by more than Window: then it was
// damaged. The first stamp of a file is doubted in the same way.
type order struct {
	tally *tally
	pool  []entry
	free  [poolEntries]uint16 // slots not in use, the first spare of them
	spare int
	keys  [windowFrames]key // ring in order of stamps; equal stamps keep the order of the file
	head  uint
	count int

	started  bool
	newest   int64     // largest stamp accepted
	released int64     // largest stamp taken out
	doubt    [2]uint16 // the stamp doubted and one behind it
	doubts   int
	marks    [requested + 1]int // entries in the ring by mark; those without are not counted
	fine     bool               // a stamp was met that is no multiple of coarse
}

type key struct {
	stamp int64
	slot  uint16
	gone  bool // its twin was kept
}

func newOrder(t *tally) *order {
	o := &order{tally: t, pool: make([]entry, poolEntries), spare: poolEntries}
	for i := range o.free {
		o.free[i] = uint16(poolEntries - 1 - i)
	}
	return o
}

// slot returns an entry to be filled, and its number for push or put back.
func (o *order) slot() (uint16, *entry) {
	o.spare--
	s := o.free[o.spare]
	return s, &o.pool[s]
}

func (o *order) back(s uint16) {
	o.free[o.spare] = s
	o.spare++
}

// push takes an entry in.
func (o *order) push(s uint16) {
	e := &o.pool[s]
	stamp := e.stamp
	if step := stamp - o.newest; o.started && o.doubts == 0 && e.mark == 0 && step > farApart && step <= int64(Window) {
		o.fine = o.fine || stamp%coarse != 0
		*o.key(o.count) = key{stamp: stamp, slot: s}
		o.count++
		o.newest = stamp
		return
	}
	switch o.doubts {
	case 0:
		if !o.started || stamp > o.newest+int64(Window) {
			o.doubt[0], o.doubts = s, 1
			return
		}
		o.accept(s)
	case 1:
		first := o.pool[o.doubt[0]].stamp
		switch {
		case stamp >= first-int64(Window):
			o.doubts = 0
			o.accept(o.doubt[0])
			o.push(s)
		case o.started && stamp < o.newest-int64(Window):
			o.accept(s) // too late whatever becomes of the doubt
		default:
			o.doubt[1], o.doubts = s, 2
		}
	case 2:
		first, second := o.doubt[0], o.doubt[1]
		o.doubts = 0
		if ahead := o.pool[first].stamp - int64(Window) - stamp; ahead > 0 {
			o.tally.r.Damaged++
			o.tally.dropped(&o.pool[first], "its stamp alone jumps ahead by %v", o.pool[first].stamp-stamp)
			o.back(first)
		} else {
			o.accept(first)
		}
		o.push(second)
		o.push(s)
	}
}

// finish accepts what is doubted at the end of the file.
func (o *order) finish() {
	n := o.doubts
	o.doubts = 0
	for _, s := range o.doubt[:n] {
		o.accept(s)
	}
}

// accept puts an entry into its place or drops it.
func (o *order) accept(s uint16) {
	e := &o.pool[s]
	if o.started && (e.stamp < o.newest-int64(Window) || e.stamp < o.released) {
		o.tally.r.Late++
		o.tally.dropped(e, "its stamp steps back by %v", o.newest-e.stamp)
		o.back(s)
		return
	}
	o.fine = o.fine || e.stamp%coarse != 0
	if o.twin(e) {
		o.tally.r.Twins++
		o.back(s)
		return
	}
	at := o.count
	if o.started && e.stamp < o.newest {
		o.tally.r.Sorted++
		for at > 0 && o.key(at-1).stamp > e.stamp {
			*o.key(at) = *o.key(at - 1)
			at--
		}
	}
	*o.key(at) = key{stamp: e.stamp, slot: s}
	o.count++
	if e.mark != 0 {
		o.marks[e.mark]++
	}
	if !o.started || e.stamp > o.newest {
		o.newest = e.stamp
	}
	o.started = true
}

// key returns the key at a place of the ring.
func (o *order) key(i int) *key { return &o.keys[(o.head+uint(i))%windowFrames] }

// ready reports whether pop has an entry to give that no later line can
// precede, or that must leave because the window is full. All is true at the end
// of the file.
func (o *order) ready(all bool) bool {
	return o.count > 0 && (o.keys[o.head].stamp <= o.newest-int64(Window) || all || o.crowded())
}

// crowded reports whether a frame must leave before another one is pushed.
func (o *order) crowded() bool { return o.count > windowFrames-windowSpare }

// pop takes the oldest entry out, nil if its twin was kept. It is valid until the
// next call of slot.
func (o *order) pop(all bool) *entry {
	k := &o.keys[o.head]
	o.head = (o.head + 1) % windowFrames
	o.count--
	o.back(k.slot)
	if k.gone {
		return nil
	}
	if !all && k.stamp > o.newest-int64(Window) {
		o.tally.r.WindowFull++
	}
	e := &o.pool[k.slot]
	if e.mark != 0 {
		o.marks[e.mark]--
	}
	o.released = k.stamp
	return e
}

// twin reports whether e tells of a frame that another entry tells of too and
// is the one to be dropped. Where e is the frame and the other one its request,
// the other one is taken out.
func (o *order) twin(e *entry) bool {
	if e.frame.Kind == bus.Error {
		return false
	}
	if e.mark == received && o.marks[sent]+o.marks[requested] > 0 || e.mark == sent && o.marks[requested] > 0 {
		for i := o.count - 1; i >= max(0, o.count-requestReach); i-- {
			k := o.key(i)
			if k.stamp < e.stamp-int64(Window) {
				break
			}
			other := &o.pool[k.slot]
			if !k.gone && other.mark > e.mark && same(e, other) {
				k.gone = true
				o.marks[other.mark]--
				o.tally.r.Twins++
				return false
			}
		}
	}
	if !o.fine {
		return false
	}
	near := shortest(e)
	for i := o.count - 1; i >= max(0, o.count-twinReach); i-- {
		k := o.key(i)
		if k.stamp <= e.stamp-near {
			return false
		}
		if !k.gone && k.stamp < e.stamp+near && same(e, &o.pool[k.slot]) {
			return true
		}
	}
	return false
}

// shortest is the time, in ns, in which no bus carries the same classic frame
// twice: its bits without stuffing (ISO 11898-1:2015, 10.4) at 1 Mbit/s, less
// 4 us for the rounding of stamps. Frames with a fast data phase have none.
func shortest(e *entry) int64 {
	if e.frame.Flags != 0 {
		return 0
	}
	bits := int64(47)
	if e.frame.ID.IsExtended() {
		bits = 67
	}
	if e.frame.Kind == bus.Data {
		bits += 8 * int64(e.frame.Length)
	}
	return (bits - 4) * 1000
}

// same reports whether two entries are the same frame on the same channel.
func same(a, b *entry) bool {
	f, g := &a.frame, &b.frame
	if f.ID != g.ID || f.Kind != g.Kind || f.Flags != g.Flags || f.Length != g.Length || a.channel != b.channel {
		return false
	}
	return f.Kind != bus.Data || string(f.Data[:f.Length]) == string(g.Data[:g.Length])
}
