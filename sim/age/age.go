// Package age measures how old values are. It knows numbers and instants only.
package age

import "time"

// Track follows the age of one value at one place while it is open: a sawtooth
// of slope 1 that falls at each update.
type Track struct {
	open bool
}

// NewTrack returns a closed track that also counts the time over limit, when
// limit is not 0.
func NewTrack(limit time.Duration) *Track { return &Track{} }

// Open starts the track at now with the value of validAt. This is no update: it
// counts towards time and age, not towards latencies, peaks or intervals.
func (t *Track) Open(now, validAt time.Duration) {}

// Update says that a value of validAt is held from now on. It reports false, and
// changes nothing, when the track is closed or validAt is not newer than what is
// held.
func (t *Track) Update(now, validAt time.Duration) bool { return false }

// Close ends the track at now. A closed track can be opened again.
func (t *Track) Close(now time.Duration) {}

// IsOpen reports whether the track is open.
func (t *Track) IsOpen() bool { return t.open }

// Int128 is a signed 128-bit integer for sums of squares of nanoseconds.
type Int128 struct {
	Hi int64
	Lo uint64
}

// Passage follows the newest valid-time U(t) that has passed one stage and
// keeps the integral of U over time, exactly. Passes may be announced ahead of
// time: they wait in order until the integral is asked for a later instant.
type Passage struct {
	newest time.Duration
}

// Pass says that a value of validAt passes the stage at the instant at. now is
// the present: nobody will ask for an instant before it any more. Instants never
// go back from call to call; a value that is not newer than the newest announced
// changes nothing.
func (p *Passage) Pass(now, at, validAt time.Duration) {}

// Newest returns U(at), and false when nothing has passed by then. at must not
// lie before the present of an earlier call.
func (p *Passage) Newest(at time.Duration) (time.Duration, bool) { return 0, false }

// Integral returns the integral of U from 0 to at in square nanoseconds, U
// counting as 0 before the first pass. at as in Newest.
func (p *Passage) Integral(at time.Duration) Int128 { return Int128{} }
