package live

import (
	"math/bits"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/sim/age"
)

// RateOctaves is how many rates are told apart: below 1/s, then by octaves.
const RateOctaves = 24

// RateUse is what was heard in the seconds of one rate of sending, by the sequence
// numbers.
type RateUse struct{ Seconds, Sent, Heard uint64 }

// rates sorts the seconds by how much was sent in them.
type rates struct {
	octaves [RateOctaves]RateUse
	second  time.Duration
	newest  int64
	heard   uint64
	some    bool
}

// note is told of every datagram before the sequence is.
func (r *rates) note(at time.Duration, s *sequence) {
	second := at / time.Second
	if r.some && second == r.second {
		return
	}
	if r.some && s.newest >= r.newest && second == r.second+1 {
		sent := uint64(s.newest - r.newest)
		o := &r.octaves[min(bits.Len64(sent), RateOctaves-1)]
		o.Seconds++
		o.Sent += sent
		o.Heard += s.Heard - r.heard
	}
	r.some, r.second, r.newest, r.heard = s.some, second, s.newest, s.Heard
}

// MostIntervals is of how many identifiers intervals are kept.
const MostIntervals = 512

// Interval is how far apart the records of an identifier and page arrived.
type Interval struct {
	ID   bus.ID
	Page int
	age.Points
	last time.Duration
}

// intervals follows the records that arrive, without knowing their ages.
type intervals struct {
	all   []*Interval
	index map[intervalKey]*Interval
	lost  uint64 // records of identifiers beyond the most
}

type intervalKey struct {
	id   bus.ID
	page int
}

// note counts the records of a datagram.
func (v *intervals) note(at time.Duration, d *bridge.Datagram) {
	for i := range d.Records {
		r := &d.Records[i]
		key := intervalKey{r.ID, r.Page}
		one := v.index[key]
		if one == nil {
			if len(v.all) >= MostIntervals {
				v.lost++
				continue
			}
			if v.index == nil {
				v.index = map[intervalKey]*Interval{}
			}
			one = &Interval{ID: r.ID, Page: r.Page}
			v.index[key] = one
			v.all = append(v.all, one)
		} else {
			one.Add(max(0, at-one.last), 1)
		}
		one.last = at
	}
}
