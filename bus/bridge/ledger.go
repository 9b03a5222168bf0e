package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// value is one listed frame inside the bridge, with what is known of its fate.
type value struct {
	record Record
	key    int32
	refs   int32 // places inside the bridge that hold it
	pins   int32 // broadcasts with it that timed out and may yet turn out sent
	fate   fate.Frame
	sent   bool
	bad    bool          // too short for its page selector
	held   bool          // has passed the hold stage
	handed bool          // has been handed to the medium
	wanted time.Duration // when its policy began to want to send it
}

// ledger counts what became of the frames. A listed frame is counted when the
// last place that held its value has let go of it.
type ledger struct {
	counts [fate.Frames]uint64
	values []value
	free   []int32
	lost   func(v *value) // told of a value whose last fate is not that it was sent; nil = nobody asks
}

// add returns the index of a new value with one reference.
func (l *ledger) add() (int32, *value) {
	if n := len(l.free); n > 0 {
		index := l.free[n-1]
		l.free = l.free[:n-1]
		v := &l.values[index]
		v.refs, v.pins, v.sent, v.bad, v.held, v.handed, v.wanted = 1, 0, false, false, false, false, never
		return index, v
	}
	l.values = append(l.values, value{refs: 1, wanted: never})
	index := int32(len(l.values) - 1)
	return index, &l.values[index]
}

// note writes down the last thing that happened to a value.
func (l *ledger) note(index int32, f fate.Frame) { l.values[index].fate = f }

// drop lets go of a value.
func (l *ledger) drop(index int32) {
	v := &l.values[index]
	if v.refs--; v.refs == 0 && v.pins == 0 {
		l.settle(index)
	}
}

// unpin gives up waiting for the confirmation of a timed-out broadcast.
func (l *ledger) unpin(index int32) {
	v := &l.values[index]
	if v.pins--; v.refs == 0 && v.pins == 0 {
		l.settle(index)
	}
}

// lose lets go of a value for a reason.
func (l *ledger) lose(index int32, f fate.Frame) {
	l.note(index, f)
	l.drop(index)
}

func (l *ledger) settle(index int32) {
	v := &l.values[index]
	switch {
	case v.sent:
		v.fate = fate.FrameSent
	case l.lost != nil:
		l.lost(v)
	}
	l.counts[v.fate]++
	l.free = append(l.free, index)
}

// balance returns the fates with the values still held counted as what they are
// now.
func (l *ledger) balance() [fate.Frames]uint64 {
	counts := l.counts
	for i := range l.values {
		switch v := &l.values[i]; {
		case v.refs == 0 && v.pins == 0: // free
		case v.sent:
			counts[fate.FrameSent]++
		case v.refs > 0:
			counts[fate.FrameInsideAtEnd]++
		default:
			counts[v.fate]++
		}
	}
	return counts
}

// pass tells the watcher, if there is one, that a value passes a stage.
func (b *Bridge) pass(stage fate.Stage, r *Record, at time.Duration) {
	if b.cfg.Watch != nil {
		b.cfg.Watch(stage, r, at)
	}
}
