package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"stalegauge/bus/fate"
	"stalegauge/sim/study"
)

// harmlessFrames are the fates of frames whose value nobody missed: it was not
// asked for, or a newer one went out in its place.
var harmlessFrames = map[fate.Frame]bool{
	fate.FrameMasked: true, fate.FrameNotListed: true, fate.FrameDivided: true,
	fate.FrameReplaced: true, fate.FrameInsideAtEnd: true, fate.FrameSent: true,
}

// lostRecords are the fates of records that should have arrived and did not.
var lostRecords = []fate.Record{
	fate.RecordCollided, fate.RecordFaded, fate.RecordBitErrors, fate.RecordOutage,
	fate.RecordQueueFull, fate.RecordWrongLayout,
}

// frameLedger writes what became of the frames of the bus.
func frameLedger(p *page, r *study.Result) {
	p.heading("Frames of the bus: what became of each one (whole run, warm-up included)")
	lost, harmless := lostFrames(r)
	all := float64(0)
	for _, n := range r.FrameFates {
		all += float64(n)
	}
	t := newTable(p, "fate", "frames", "share", "which is")
	sent := r.FrameFates[fate.FrameSent]
	t.row(fate.FrameSent.String(), count(sent), percent(float64(sent)/all, all > 0), "in a broadcast")
	for _, s := range lost {
		t.row(s.word, count(s.count), percent(s.of, true), "lost")
	}
	for _, s := range harmless {
		t.row(s.word, count(s.count), percent(s.of, true), "harmless")
	}
	t.left(4)
	t.write()
}

// share is one cause of loss with its share of the whole.
type share struct {
	word  string
	count uint64
	of    float64
}

// lostFrames lists the frame fates that occurred, largest first, lost and
// harmless ones apart; sent ones are in neither.
func lostFrames(r *study.Result) (lost, harmless []share) {
	var all uint64
	for _, n := range r.FrameFates {
		all += n
	}
	for f := range fate.Frames {
		n := r.FrameFates[f]
		if n == 0 || f == fate.FrameSent {
			continue
		}
		s := share{f.String(), n, float64(n) / float64(all)}
		if harmlessFrames[f] {
			harmless = append(harmless, s)
		} else {
			lost = append(lost, s)
		}
	}
	largestFirst(lost)
	largestFirst(harmless)
	return lost, harmless
}

// lostOnTheWay lists what became of records between bridge and display, over
// all displays that were powered, largest first.
func lostOnTheWay(r *study.Result) []share {
	var counts [fate.Records]uint64
	var all uint64
	for _, d := range r.Receivers {
		for i, n := range d.RecordFates {
			counts[i] += n
			if w := fate.Record(i); w != fate.RecordNotPowered && w != fate.RecordInFlightAtEnd {
				all += n
			}
		}
	}
	var lost []share
	for _, w := range lostRecords {
		if n := counts[w]; n > 0 {
			lost = append(lost, share{w.String(), n, float64(n) / float64(all)})
		}
	}
	largestFirst(lost)
	return lost
}

func largestFirst(shares []share) {
	slices.SortStableFunc(shares, func(a, b share) int { return cmp.Compare(b.count, a.count) })
}

// lostLine fits as many causes as one line holds: frames lost in the bridge,
// records lost on the way, and what was harmless.
func lostLine(r *study.Result, width int) string {
	lost, harmless := lostFrames(r)
	groups := []struct {
		title  string
		shares []share
	}{
		{"frames ", lost},
		{"records ", lostOnTheWay(r)},
		{"harmless ", harmless},
	}
	line, left := "", 0
	for _, g := range groups {
		left += len(g.shares)
	}
	for i, g := range groups {
		if len(g.shares) == 0 {
			if i == 0 {
				line = "frames none"
			}
			continue
		}
		for j, s := range g.shares {
			item := ", "
			if j == 0 {
				item = g.title
				if line != "" {
					item = "; " + item
				}
			}
			item += s.word + " " + roughly(s.of)
			more := ""
			if left > 1 {
				more = fmt.Sprintf(" +%d more", left-1)
			}
			if columns(line+item+more) > width {
				return fmt.Sprintf("%s +%d more", line, left)
			}
			line += item
			left--
		}
	}
	return line
}

// recordLine says what became of the records at one display.
func recordLine(d *study.Receiver) string {
	return recordTally(&d.RecordFates)
}

func recordTally(fates *[fate.Records]uint64) string {
	return cmp.Or(tally[fate.Record](fates[:]), "none was sent")
}

// foreignLine says what became of the broadcasts of other sets, "" where there
// were none.
func foreignLine(d *study.Receiver) string { return tally[fate.Foreign](d.Foreign[:]) }

// word is an entry of one of the closed word lists of package fate.
type word interface {
	~uint8
	String() string
}

// tally writes the sum of a ledger and its words, largest first, "" for an empty
// one.
func tally[Word word](counts []uint64) string {
	var all uint64
	var parts []share
	for i, n := range counts {
		all += n
		if n > 0 {
			parts = append(parts, share{word: Word(i).String(), count: n})
		}
	}
	if all == 0 {
		return ""
	}
	largestFirst(parts)
	items := make([]string, len(parts))
	for i, s := range parts {
		items[i] = fmt.Sprintf("%s %s (%s)", s.word, count(s.count),
			percent(float64(s.count)/float64(all), true))
	}
	return count(all) + " sent: " + strings.Join(items, ", ")
}
