package traffic

import (
	"time"

	"stalegauge/bus"
)

// MaxBitErrorRate is the highest bit error rate that a set takes. At it one in
// nine frames of 8 bytes is destroyed, and one in two of 64; much beyond it long
// frames would practically never get through.
const MaxBitErrorRate = 0.001

// bitErrors strikes bits of frames, each with the same chance. It counts the
// bits to the next one that is struck, which follows the geometric law; so a
// frame costs one comparison, whatever its length.
type bitErrors struct {
	rate   float64 // 0 = none
	dice   dice
	ahead  uint64 // bits not struck before the next that is
	frames uint64 // error frames so far
}

func newBitErrors(c *Config) bitErrors {
	e := bitErrors{rate: c.BitErrorRate, ahead: 1 << 63}
	if e.rate > 0 {
		e.dice = dice(c.Stream("bus bit error", 0).Uint64())
		e.ahead = e.dice.geometric(e.rate)
	}
	return e
}

// strikes reports whether a frame of this length is struck; ahead is then the
// index of the bit.
func (e *bitErrors) strikes(length bus.Bits) bool {
	if e.rate == 0 {
		return false
	}
	total := uint64(length.Total())
	if e.ahead < total {
		return true
	}
	e.ahead -= total
	return false
}

// footer is the length of a frame behind its data phase: ACK slot, ACK delimiter
// and EOF.
const footer = 1 + 1 + 7

// upTo returns the bits of a frame up to and including one of them.
func upTo(length bus.Bits, bit int) bus.Bits {
	n := bit + 1
	header := length.Nominal - footer
	switch {
	case length.Data == 0 || n <= header:
		return bus.Bits{Nominal: n}
	case n <= header+length.Data:
		return bus.Bits{Nominal: header, Data: n - header}
	}
	return bus.Bits{Nominal: n - length.Data, Data: length.Data}
}

// destroy lets an error frame take the place of the rest of a frame that began
// at start. Its instance stays at the head of its queue. It reports whether the
// error frame is to be handed out and is in f.
func (s *Set) destroy(f *bus.Frame, start time.Duration, length bus.Bits) bool {
	e := &s.errors
	taken := upTo(length, int(e.ahead))
	e.ahead = e.dice.geometric(e.rate)
	e.frames++
	flags := bus.ErrorFlag + int(e.dice.below(bus.ErrorFlagLongest-bus.ErrorFlag+1))
	taken.Nominal += flags + bus.ErrorDelimiter
	end := start + s.duration(taken)
	whole := s.duration(taken.WithIntermission())
	s.idle = start + whole
	s.busy += whole
	if !s.config.ErrorFrames {
		return false
	}
	f.At, f.Released = end, end
	f.ID, f.Kind, f.Flags, f.Length = 0, bus.Error, 0, 0
	f.Message = -1
	f.AfterGap = false
	s.releaseUntil(end)
	return true
}
