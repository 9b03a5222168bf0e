package bridge

import (
	"time"

	"stalegauge/bus"
)

// What stands in the place of a value's index for a frame that is not on the
// forward list.
const (
	unlisted int32 = -1
	picked   int32 = -2 // and has been dealt with: it only takes up room until its pick-up
)

// held is a frame in the controller's receive buffer.
type held struct {
	pick  time.Duration // when it will be picked up
	value int32
	size  int32
}

// controller is the receive buffer. What it holds is known to the processor
// only from pick-up on, so a frame can still be lost until then.
type controller struct {
	rule   Overrun
	frames int
	bytes  int
	line   ring[held]
	used   int  // bytes
	early  held // a frame that passed by; it is here until its pick-up, alone

	listed    time.Duration // pick-up of the first listed frame held; never if there is none
	highWater int
	lose      func(value int32) // told of each stored frame that is overwritten
}

func newController(c Controller, lose func(value int32)) controller {
	k := controller{rule: c.Overrun, frames: c.Frames, bytes: c.Bytes, listed: never, lose: lose}
	if k.frames > 0 {
		k.bytes = 0
	}
	return k
}

// entrySize is the room of a frame in a buffer of bytes: one byte of information,
// two or four of identifier, and the data (controller data sheet: 11 bytes for a
// base frame of 8 bytes, 13 for an extended one).
func entrySize(f *bus.Frame) int32 {
	size := int32(3)
	if f.ID.IsExtended() {
		size = 5
	}
	if f.Kind == bus.Data {
		size += int32(f.Length)
	}
	return size
}

func (k *controller) lacks(size int32) bool {
	if k.frames > 0 {
		return k.line.len() >= k.frames
	}
	return k.bytes > 0 && k.used+int(size) > k.bytes
}

// store puts a frame into the buffer and returns false if it was lost. Frames
// picked up at or before its reception must have been removed.
func (k *controller) store(h held) bool {
	if k.lacks(h.size) {
		if k.rule == DropNew || k.frames == 0 && int(h.size) > k.bytes {
			return false
		}
		for k.lacks(h.size) {
			var old held
			if k.rule == OverwriteLast {
				old = k.line.popLast()
			} else {
				old = k.line.pop()
			}
			k.used -= int(old.size)
			k.lose(old.value)
		}
		k.seek()
	}
	k.line.push(h)
	k.used += int(h.size)
	if h.value >= 0 && h.pick < k.listed {
		k.listed = h.pick
	}
	if k.bytes > 0 {
		k.note(k.used)
	} else {
		k.note(k.line.n)
	}
	return true
}

// note keeps the high-water mark.
func (k *controller) note(level int) {
	if level > k.highWater {
		k.highWater = level
	}
}

// pop takes out the next frame.
func (k *controller) pop() held {
	h := *k.line.front()
	k.line.drop()
	k.used -= int(h.size)
	if h.value >= 0 {
		k.seek()
	}
	return h
}

// seek finds the first listed frame again.
func (k *controller) seek() {
	k.listed = never
	for i := range k.line.len() {
		if h := k.line.at(i); h.value >= 0 {
			k.listed = h.pick
			return
		}
	}
}

func (k *controller) use() StageUse {
	u := StageUse{Name: "controller", HighWater: k.highWater, Capacity: k.frames, Unit: "frames"}
	if k.bytes > 0 {
		u.Capacity, u.Unit = k.bytes, "bytes"
	}
	return u
}

// pickup says when the processor takes a frame out of the controller.
type pickup struct {
	rule   Pickup
	stalls *stallCursor
	look   time.Duration // the last tick asked for, as it really came
}

// instant returns the pick-up of a frame received at t. t never goes back.
func (p *pickup) instant(t time.Duration) time.Duration {
	if p.rule.Tick == 0 {
		return p.stalls.release(t + p.rule.Latency)
	}
	if t <= p.look {
		return p.look
	}
	tick := p.rule.Phase
	if t > tick {
		before := (t - tick - 1) / p.rule.Tick // ticks strictly before t, less one
		tick += before * p.rule.Tick
		// A tick that a stall puts off sees what has arrived meanwhile.
		if late := p.stalls.release(tick); late >= t {
			p.look = late
			return late
		}
		tick += p.rule.Tick
	}
	p.look = p.stalls.release(tick)
	return p.look
}
