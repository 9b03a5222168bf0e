package age

import (
	"math"
	"time"
)

// Held returns the valid-time of the value held, and false when the track is
// closed.
func (t *Track) Held() (validAt time.Duration, ok bool) { return t.validAt, t.open }

// Observed returns for how long the track has been open, up to its last update
// or its end.
func (t *Track) Observed() time.Duration { return t.observed }

// TwiceArea returns twice the integral of the age over that time, in square
// nanoseconds.
func (t *Track) TwiceArea() Int128 { return t.twice }

// Mean returns the mean age over time in nanoseconds, NaN when there was no time.
func (t *Track) Mean() float64 { return t.timeAverage(t.twice) }

func (t *Track) timeAverage(twice Int128) float64 {
	if t.observed == 0 {
		return math.NaN()
	}
	return twice.Float64() / 2 / float64(t.observed)
}

// Ages returns the distribution of the age weighted by time, of all teeth that
// have ended. It shares memory with the track.
func (t *Track) Ages() Teeth {
	return Teeth{Starts: []*Points{&t.opened, &t.latencies}, Ends: []*Points{&t.peaks, &t.closed}}
}

// Latencies returns the ages that updates brought, one for each update. It
// shares memory with the track, as do Peaks and Intervals.
func (t *Track) Latencies() *Points { return &t.latencies }

// Peaks returns the ages just before each update.
func (t *Track) Peaks() *Points { return &t.peaks }

// Intervals returns the times from update to update. What lies before the first
// update after an opening and after the last one before a closing is no interval.
func (t *Track) Intervals() *Points { return &t.intervals }

// Limit returns the limit, 0 when there is none.
func (t *Track) Limit() time.Duration { return t.limit }

// OverLimit returns the exact time with an age above the limit.
func (t *Track) OverLimit() time.Duration { return t.over.total }

// Violations returns how many excursions above the limit there were. One that is
// under way at an opening counts; one continues over an update that is itself
// above the limit.
func (t *Track) Violations() uint64 { return t.over.violations }

// Longest returns the length of the longest excursion inside one opening.
func (t *Track) Longest() time.Duration { return t.over.longest }

// TwiceOverage returns twice the integral of max(age - limit, 0), in square
// nanoseconds.
func (t *Track) TwiceOverage() Int128 { return t.over.twice }

// MeanOverage returns the time average of max(age - limit, 0) in nanoseconds, NaN
// when there was no time.
func (t *Track) MeanOverage() float64 { return t.timeAverage(t.over.twice) }
