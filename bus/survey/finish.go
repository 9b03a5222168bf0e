package survey

import (
	"cmp"
	"slices"
	"time"

	"stalegauge/bus"
)

// Inventory returns what was found so far.
func (u *Surveyor) Inventory() *Inventory {
	inv := &Inventory{
		Span: u.last - u.first, Frames: u.frames, Remotes: u.remotes, Errors: u.errors, Others: u.others,
		Fast: u.fast, Gaps: u.gaps, Silence: u.silence, SilenceAt: u.silenceAt, Laid: len(u.o.Layouts.All) > 0,
	}
	inv.BitRate = BitRate{Value: u.o.BitRate, Data: u.o.DataBitRate, Reason: "given"}
	if u.o.BitRate == 0 {
		inv.BitRate = u.spacing.guess(u.windows[1].most, u.windows[1].length)
	}
	inv.BitRate.Data = cmp.Or(inv.BitRate.Data, inv.BitRate.Value)
	capacity := float64(inv.BitRate.Value)
	if seconds := inv.Span.Seconds(); seconds > 0 {
		inv.PerSecond = float64(u.frames) / seconds
		inv.Load = float64(u.bits) / seconds / capacity
	}
	for i := range u.windows {
		w := &u.windows[i]
		full := capacity * w.length.Seconds()
		inv.Windows = append(inv.Windows, WindowLoad{Length: w.length, MostAt: w.mostAt, Stretches: w.loads.count,
			Median: w.loads.quantile(.5) / full, Quantile99: w.loads.quantile(.99) / full, Most: float64(w.most) / full})
	}
	for _, s := range u.streams {
		inv.IDs = append(inv.IDs, u.identifier(s, inv))
	}
	slices.SortFunc(inv.IDs, func(a, b ID) int {
		return cmp.Or(cmp.Compare(b.Share, a.Share), cmp.Compare(a.ID.Priority(false), b.ID.Priority(false)))
	})
	u.groups(inv)
	u.storms(inv)
	u.compare(inv)
	return inv
}

// fewIntervals is how many it takes to call something regular.
const fewIntervals = 3

// figures works out the figures of intervals.
func (r *rhythm) figures() Rhythm {
	p := &r.periods
	f := Rhythm{Frames: r.frames, First: r.first, Last: r.last, Longest: r.silence, LongestAt: r.silenceAt}
	if p.count == 0 {
		return f
	}
	f.MeanExact = float64(r.last-r.first-r.silent) / float64(p.count)
	f.Mean = time.Duration(f.MeanExact + 0.5)
	f.Median, f.Shortest = time.Duration(p.quantile(.5)), time.Duration(p.least)
	f.Low, f.High = time.Duration(p.quantile(.05)), time.Duration(p.quantile(.95))
	if p.count < fewIntervals || p.most == 0 {
		f.Regularity = Unclear
		return f
	}
	// By a clock: nearly all intervals lie about the median. What waits for the
	// bus is late by a few frames, which counts for short periods.
	median := p.quantile(.5)
	room := max(median/4, float64(2*time.Millisecond))
	switch share := p.within(median-room, median+room); {
	case share >= .95:
		f.Regularity = Cyclic
	case share >= .5:
		f.Regularity = Mixed
	default:
		f.Regularity = OnEvent
	}
	return f
}

func (u *Surveyor) identifier(s *stream, inv *Inventory) ID {
	d := ID{
		ID: s.id, Rhythm: s.rhythm.figures(), Remotes: s.remotes, Flexible: s.fd, Fast: s.fast,
		MinLength: s.shortest, Length: s.length, Bits: float64(s.bits) / float64(s.frames),
		Changing: s.content.changed, Like: s.content.like(), Typical: s.content.typical, Unpaged: s.unpaged,
		order: s.order, asked: s.asked,
	}
	if u.bits > 0 {
		d.Share = float64(s.bits) / float64(u.bits)
		d.Load = inv.Load * d.Share
	}
	if s.content.pairs > 0 {
		d.Moved = float64(s.content.moved) / float64(s.content.pairs)
	}
	if s.layout >= 0 {
		d.layout = &u.o.Layouts.All[s.layout]
		d.Name, d.Declared = d.layout.Name, d.layout.Period
		d.signals(s, inv.Span-s.silent)
	}
	for number, p := range s.pages {
		d.Pages = append(d.Pages, Page{number, p.figures()})
	}
	slices.SortFunc(d.Pages, func(a, b Page) int { return cmp.Compare(a.Number, b.Number) })
	return d
}

// groups joins identifiers whose frames nearly always follow those of another one
// directly, with at most a third of a frame between them in the mean.
func (u *Surveyor) groups(inv *Inventory) {
	const mostly, close = 0.8, 1.35
	after, shares := map[bus.ID]bus.ID{}, map[bus.ID]float64{}
	taken := map[bus.ID]bool{}
	for _, d := range inv.IDs {
		i, _ := u.table.Lookup(d.ID)
		b := &u.streams[i].before
		if b.pairs < fewChanges || b.since*2 < d.Frames || b.id == d.ID {
			continue
		}
		share := float64(b.pairs) / float64(b.since)
		frame := float64(b.bits) / float64(inv.BitRate.Value)
		if share >= mostly && b.apart.Seconds() <= close*frame && !taken[b.id] {
			after[d.ID], shares[d.ID], taken[b.id] = b.id, share, true
		}
	}
	for _, d := range inv.IDs {
		if _, follows := after[d.ID]; !follows || taken[d.ID] {
			continue // not the last of a group
		}
		g := Group{IDs: []bus.ID{d.ID}, Share: 1}
		for at := d.ID; ; {
			next, ok := after[at]
			if !ok || slices.Contains(g.IDs, next) {
				break
			}
			g.Share = min(g.Share, shares[at])
			g.IDs, at = append(g.IDs, next), next
		}
		slices.Reverse(g.IDs)
		inv.Groups = append(inv.Groups, g)
	}
}

// storms lists identifiers that took a fifth of the bus for 100 ms, and five times
// what they take in the median of such stretches.
func (u *Surveyor) storms(inv *Inventory) {
	const much, more = 1.0 / 5, 5
	full := float64(inv.BitRate.Value) * burstLength.Seconds()
	for _, d := range inv.IDs {
		i, _ := u.table.Lookup(d.ID)
		b := &u.streams[i].peak
		usual := d.Bits // one frame at least
		if idle := float64(inv.Span)/float64(burstLength) - float64(b.busy); float64(b.busy) > idle {
			busy := float64(b.busy)
			usual = max(usual, b.loads.quantile((busy-idle)/2/busy))
		}
		if float64(b.most) < max(much*full, more*usual) {
			continue
		}
		lasted := b.loads.within(more*usual, float64(b.most)) * float64(b.loads.count) * float64(burstLength)
		inv.Storms = append(inv.Storms, Storm{ID: d.ID, At: b.at, Frames: b.mostFrames, Load: float64(b.most) / full,
			Usual: usual / full, Lasted: max(burstLength, time.Duration(lasted))})
	}
}

// compare sets identifiers and layouts side by side.
func (u *Surveyor) compare(inv *Inventory) {
	met := map[int]bool{}
	for _, s := range u.streams {
		if s.layout >= 0 {
			met[s.layout] = true
		} else if inv.Laid {
			inv.Unknown = append(inv.Unknown, s.id)
		}
	}
	slices.SortFunc(inv.Unknown, func(a, b bus.ID) int { return cmp.Compare(a.Priority(false), b.Priority(false)) })
	for i := range u.o.Layouts.All {
		if l := &u.o.Layouts.All[i]; !met[i] {
			inv.Unseen = append(inv.Unseen, Unseen{l.ID, l.Name, l.Period})
		}
	}
}
