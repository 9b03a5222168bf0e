package age

import "time"

// Track follows the age of one value at one place while it is open: a sawtooth
// of slope 1 that falls at each update. The zero value is a closed track without
// a limit. An update allocates nothing once the octaves of its ages are known.
type Track struct {
	open      bool
	delivered bool          // there was an update since the opening
	now       time.Duration // instant of the last call
	validAt   time.Duration // of the value held
	start     time.Duration // age at which the present tooth began
	last      time.Duration // instant of the last update, or of the opening

	limit time.Duration
	over  limitUse

	observed time.Duration
	twice    Int128 // twice the integral of the age

	latencies, peaks, intervals Points
	opened, closed              Points // first ages and last ages of the openings
}

// limitUse is what a track saw above its limit.
type limitUse struct {
	total, run, longest time.Duration
	violations          uint64
	twice               Int128 // twice the integral of max(age - limit, 0)
}

// NewTrack returns a closed track that also counts the time over limit, when
// limit is not 0. A negative limit is wrong use.
func NewTrack(limit time.Duration) *Track {
	if limit < 0 {
		panic("age: a limit below 0")
	}
	return &Track{limit: limit}
}

// Open starts the track at now with the value of validAt. This is no update: it
// counts towards time and age, not towards latencies, peaks or intervals. To open
// an open track, before its last instant, or with a value of the future is wrong
// use.
func (t *Track) Open(now, validAt time.Duration) {
	if t.open {
		panic("age: Open of an open track")
	}
	t.check(now, validAt)
	t.open, t.delivered = true, false
	t.now, t.validAt, t.start, t.last = now, validAt, now-validAt, now
	t.opened.Add(t.start, 1)
}

// Update says that a value of validAt is held from now on. It reports false, and
// changes nothing, when the track is closed or validAt is not newer than what is
// held. A now before the last instant and a value of the future are wrong use.
func (t *Track) Update(now, validAt time.Duration) bool {
	if !t.open || validAt <= t.validAt {
		return false
	}
	t.check(now, validAt)
	t.peaks.Add(t.endTooth(now), 1)
	t.start, t.validAt = now-validAt, validAt
	t.latencies.Add(t.start, 1)
	if t.start <= t.limit {
		t.over.run = 0
	}
	if t.delivered {
		t.intervals.Add(now-t.last, 1)
	}
	t.delivered, t.last = true, now
	return true
}

// Close ends the track at now. A closed track can be opened again. To close a
// closed track or before its last instant is wrong use.
func (t *Track) Close(now time.Duration) {
	if !t.open {
		panic("age: Close of a closed track")
	}
	t.check(now, t.validAt)
	t.closed.Add(t.endTooth(now), 1)
	t.open, t.over.run = false, 0
}

func (t *Track) check(now, validAt time.Duration) {
	if now < t.now {
		panic("age: time went back")
	}
	if validAt > now {
		panic("age: a value of the future")
	}
}

// endTooth adds the present tooth to the sums and returns the age at its end.
func (t *Track) endTooth(now time.Duration) time.Duration {
	end := now - t.validAt
	t.now = now
	t.observed += end - t.start
	t.twice = t.twice.Add(Product(int64(end-t.start), int64(end+t.start)))
	if t.limit > 0 && end > t.limit {
		t.over.add(max(t.start-t.limit, 0), end-t.limit)
	}
	return end
}

// add counts the part of a tooth that lies above the limit, from and to being
// measured from the limit.
func (l *limitUse) add(from, to time.Duration) {
	if from == to {
		return
	}
	if l.run == 0 {
		l.violations++
	}
	l.run += to - from
	l.longest = max(l.longest, l.run)
	l.total += to - from
	l.twice = l.twice.Add(Product(int64(to-from), int64(to+from)))
}

// IsOpen reports whether the track is open.
func (t *Track) IsOpen() bool { return t.open }

// Merge adds what u has measured. Both must be closed and have the same limit;
// anything else is wrong use.
func (t *Track) Merge(u *Track) {
	if t.open || u.open {
		panic("age: Merge of an open track")
	}
	if t.limit != u.limit {
		panic("age: Merge of tracks with different limits")
	}
	t.observed += u.observed
	t.twice = t.twice.Add(u.twice)
	t.over.total += u.over.total
	t.over.longest = max(t.over.longest, u.over.longest)
	t.over.violations += u.over.violations
	t.over.twice = t.over.twice.Add(u.over.twice)
	t.latencies.Merge(&u.latencies)
	t.peaks.Merge(&u.peaks)
	t.intervals.Merge(&u.intervals)
	t.opened.Merge(&u.opened)
	t.closed.Merge(&u.closed)
}

// Reset makes the track as new with the same limit and keeps its memory.
func (t *Track) Reset() {
	t.open, t.delivered = false, false
	t.now, t.validAt, t.start, t.last = 0, 0, 0, 0
	t.over, t.observed, t.twice = limitUse{}, 0, Int128{}
	for _, p := range [...]*Points{&t.latencies, &t.peaks, &t.intervals, &t.opened, &t.closed} {
		p.Reset()
	}
}
