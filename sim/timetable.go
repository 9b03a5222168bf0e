package sim

import "time"

// work is what the driver does next for a vehicle. At the same instant the lower
// kind goes first: what lies nearer to the bus.
type work uint8

const (
	resetWork work = iota
	frameWork
	takeWork
	airWork
)

// entry is what one vehicle waits for.
type entry struct {
	at   time.Duration
	kind work
}

// timetable finds the vehicle whose work comes first, by instant, kind and
// index: a winner tree over the vehicles.
type timetable struct {
	entries []entry
	size    int
	tree    []int32 // winners; the leaves from size on are the vehicles
}

// reset makes a table of n vehicles that wait for nothing.
func (t *timetable) reset(n int) {
	t.size = 1
	for t.size < n {
		t.size *= 2
	}
	t.entries = make([]entry, t.size)
	t.tree = make([]int32, 2*t.size)
	for i := range t.entries {
		t.entries[i] = entry{at: never, kind: airWork}
		t.tree[t.size+i] = int32(i)
	}
	for i := t.size - 1; i > 0; i-- {
		t.tree[i] = t.winner(t.tree[2*i], t.tree[2*i+1])
	}
}

// winner returns the one of two vehicles, a having the lower index, that goes
// first.
func (t *timetable) winner(a, b int32) int32 {
	x, y := t.entries[a], t.entries[b]
	if y.at < x.at || y.at == x.at && y.kind < x.kind {
		return b
	}
	return a
}

// set changes what a vehicle waits for. The cost grows with the logarithm of the
// number of vehicles.
func (t *timetable) set(index int, at time.Duration, kind work) {
	t.entries[index] = entry{at: at, kind: kind}
	for i := (t.size + index) / 2; i > 0; i /= 2 {
		t.tree[i] = t.winner(t.tree[2*i], t.tree[2*i+1])
	}
}

// first returns the work that comes first.
func (t *timetable) first() (time.Duration, work, int) {
	i := t.tree[1]
	return t.entries[i].at, t.entries[i].kind, int(i)
}

// second returns the instant of the first work of all other vehicles than the
// first one.
func (t *timetable) second(first int) time.Duration {
	at := never
	for i := t.size + first; i > 1; i /= 2 {
		at = min(at, t.entries[t.tree[i^1]].at)
	}
	return at
}
