package bridge

import (
	"time"

	"stalegauge/bus"
)

// OverrunMeter tells how long a controller that nobody empties takes what comes
// before it loses a frame, for a processor that stops at any instant of some
// traffic. What the masks turn away takes no room.
type OverrunMeter struct {
	controller controller
	masks      interface{ Accepts(*bus.Frame) bool }
	last       time.Duration // reception of the frame before the first that is held
	at         []time.Duration
	least      time.Duration
	weighted   float64 // square seconds
	total      time.Duration
}

// NewOverrunMeter returns a meter of a controller.
func NewOverrunMeter(c Controller) *OverrunMeter {
	m := &OverrunMeter{controller: newController(c, nil), least: never}
	if c.Masks != nil {
		m.masks = c.Masks
	}
	return m
}

// Receive tells of the next frame of the traffic.
func (m *OverrunMeter) Receive(f *bus.Frame) {
	if f.Kind == bus.Error || m.masks != nil && !m.masks.Accepts(f) {
		return
	}
	h := held{pick: f.At, value: unlisted, size: entrySize(f)}
	k := &m.controller
	for k.lacks(h.size) && k.line.len() > 0 {
		m.stop(k.pop().pick, f.At)
	}
	if k.lacks(h.size) { // larger than all of the buffer
		m.stop(f.At, f.At)
		return
	}
	k.line.push(h)
	k.used += int(h.size)
}

// stop counts the stops after the frame before one received at first, up to its
// reception: they lose the frame received at lost.
func (m *OverrunMeter) stop(first, lost time.Duration) {
	m.least = min(m.least, lost-first)
	span := (first - m.last).Seconds()
	m.weighted += span * ((lost - first).Seconds() + span/2)
	m.total += first - m.last
	m.last = first
}

// Result returns the shortest time from a stop to the first lost frame, and the
// mean over all instants of the traffic at which the processor could stop; false
// if nothing was lost however early it stopped.
func (m *OverrunMeter) Result() (least, mean time.Duration, ok bool) {
	if m.least == never {
		return 0, 0, false
	}
	if m.total == 0 {
		return m.least, m.least, true
	}
	return m.least, time.Duration(m.weighted / m.total.Seconds() * 1e9), true
}
