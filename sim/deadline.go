package sim

import (
	"math/bits"
	"time"

	"stalegauge/scenarios"
)

// mostStreaks is up to which length streaks of missed deadlines are told apart.
const mostStreaks = 10

// Deadlines is how a display met the deadlines of a signal with a limit of age:
// each value that the bus received must be at the glass, or a newer one, when the
// limit has passed since it became valid.
type Deadlines struct {
	Count, Missed uint64
	// Streaks holds at [n-1] how often n deadlines in a row were missed; a longer
	// streak counts in every shorter one once.
	Streaks [mostStreaks]uint64
	Longest uint64 // streak
	// Windows are the runs of Of deadlines in a row, Kept those in which at least
	// Met were met: "(m,k)-firm" (Hamdaoui, Ramanathan, IEEE Transactions on
	// Computers 44(12), 1995).
	Windows, Kept uint64
}

// deadlines follows them. The values received on the bus wait in the group.
type deadlines struct {
	limit time.Duration
	firm  scenarios.Firm
	next  int64 // number of the first value that is not decided
	run   uint64
	last  uint64 // outcomes of the last ones, 1 = met, the newest in the lowest bit
	found Deadlines
}

// decide decides every deadline before t. glass is the newest valid-time shown
// until then.
func (d *deadlines) decide(g *group, t, from, end time.Duration, glass held) {
	d.next = max(d.next, g.firstRelease)
	for ; d.next < g.firstRelease+int64(g.releases.len()); d.next++ {
		release := *g.releases.at(int(d.next - g.firstRelease))
		due := release + d.limit
		if due >= t {
			return
		}
		if release >= from && due <= end {
			d.note(glass.known && glass.validAt >= release)
		}
	}
}

// cut decides every deadline before t, at which the traffic has a gap, and drops the
// others: nobody knows what became of them.
func (d *deadlines) cut(g *group, t time.Duration, r *receiver, glass held) {
	d.decide(g, t, r.from, r.end, glass)
	d.next = g.firstRelease + int64(g.releases.len())
}

func (d *deadlines) note(met bool) {
	f := &d.found
	f.Count++
	d.last <<= 1
	if met {
		d.last |= 1
		d.run = 0
	} else {
		f.Missed++
		d.run++
		if d.run <= mostStreaks {
			f.Streaks[d.run-1]++
		}
		f.Longest = max(f.Longest, d.run)
	}
	if f.Count < uint64(d.firm.Of) {
		return
	}
	f.Windows++
	if bits.OnesCount64(d.last&(1<<d.firm.Of-1)) >= d.firm.Met {
		f.Kept++
	}
}

// release notes a value that deadlines will ask for.
func (g *group) release(at, validAt time.Duration) {
	if len(g.waiting) == 0 {
		return
	}
	if g.releases.len() >= mostKept {
		g.trim(at)
	}
	g.releases.push(validAt)
}

// trim lets all displays decide what they can and drops what nobody needs.
func (g *group) trim(now time.Duration) {
	need := g.firstRelease + int64(g.releases.len())
	for _, w := range g.waiting {
		w.receiver.advance(now)
		for _, k := range w.display.waiting() {
			k.deadlines.decide(g, now, w.receiver.from, w.receiver.end, w.display.glass)
			need = min(need, k.deadlines.next)
		}
	}
	for g.firstRelease < need {
		g.releases.pop()
		g.firstRelease++
	}
}

// waiter is a display with deadlines for a group's values.
type waiter struct {
	receiver *receiver
	display  *display
}

// waiting returns the tracks of a display that have deadlines.
func (d *display) waiting() (all []*tracks) {
	for _, k := range d.tracks {
		if k.deadlines.limit > 0 {
			all = append(all, k)
		}
	}
	return all
}
