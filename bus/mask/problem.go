package mask

import (
	"math"
	mathbits "math/bits"

	"stalegauge/bus"
)

// cost is what a setting lets through that nobody wants: the smaller rate wins,
// and of equal rates the smaller width.
type cost struct {
	rate  int64 // millionths of a frame a second
	width int64 // identifiers, counted once for each filter that they pass
}

var worst = cost{math.MaxInt64, math.MaxInt64}

func (c cost) less(d cost) bool {
	return c.rate < d.rate || c.rate == d.rate && c.width < d.width
}

// place is a code of a shape with a fixed number of them.
type place struct {
	view  view
	group int8 // codes of a group share their mask
}

// layout is what a shape offers.
type layout struct {
	places []place
	always uint32 // bits that are always compared
	banks  int    // instead of places
	list   bool   // the banks are elements: a mask each, or two identifiers
}

// layoutOf returns the layout of a shape that is searched by classes.
func layoutOf(s Shape) layout {
	switch s.family {
	case single:
		return layout{places: []place{{viewSingle, 0}}}
	case eightBit:
		return layout{places: []place{{viewEight, 0}}}
	case dual:
		return layout{places: []place{{viewFirst, 0}, {viewSecond, 0}}}
	case twoMasks:
		return layout{
			places: []place{{viewTwoMasks, 0}, {viewTwoMasks, 0}, {viewTwoMasks, 1}, {viewTwoMasks, 1}, {viewTwoMasks, 1}, {viewTwoMasks, 1}},
			always: extendedTwoMasks,
		}
	}
	return layout{banks: s.first}
}

func (l *layout) views() []view {
	if l.banks > 0 {
		return []view{view16, view32}
	}
	var out []view
	for _, p := range l.places {
		out = append(out, p.view)
	}
	return out
}

// field is how one view sees wanted identifiers and unwanted traffic, the latter
// as sets of flows.
type field struct {
	wanted   []look
	see      uint32          // bits that some wanted identifier is compared in
	conflict [32][2][]uint64 // flows in whose known bit stands something other than 0 or 1
	compares [32][]uint64    // flows that are compared in a bit
	can      []uint64        // flows that some filter of this view accepts
	ids      [2]idField      // base, extended
}

// idField says which bits of a word an identifier fills.
type idField struct {
	bits              uint32
	missing           int
	width, widthValue uint32
	never             bool
}

// problem is one search.
type problem struct {
	layout  layout
	wanted  []bus.ID
	weight  []int64 // of the flows
	uniform int64   // weight of all flows where they are equal, else 0
	words   int     // of a set of flows
	fields  [views]*field
	byWidth bool // the width decides between equal rates
	open    bool // states may outgrow the banks for a while, see fits
	work    int
	budget  int
}

func newProblem(l layout, wanted []bus.ID, unwanted []Flow) *problem {
	p := &problem{layout: l, wanted: wanted, words: (len(unwanted) + 63) / 64}
	for _, f := range unwanted {
		p.weight = append(p.weight, micro(f.PerSecond))
	}
	for i, w := range p.weight {
		if i == 0 {
			p.uniform = w
		} else if w != p.uniform {
			p.uniform = 0
		}
	}
	for _, v := range l.views() {
		if p.fields[v] == nil {
			p.fields[v] = p.field(v, unwanted)
		}
	}
	return p
}

// micro is a rate in millionths, so that sums do not depend on their order.
func micro(perSecond float64) int64 { return int64(math.Round(perSecond * 1e6)) }

func (p *problem) field(v view, unwanted []Flow) *field {
	f := &field{can: make([]uint64, p.words)}
	for b := range 32 {
		f.conflict[b] = [2][]uint64{make([]uint64, p.words), make([]uint64, p.words)}
		f.compares[b] = make([]uint64, p.words)
	}
	for _, id := range p.wanted {
		l := v.look(id, false)
		f.wanted = append(f.wanted, l)
		if !l.never {
			f.see |= l.known | l.free
		}
	}
	for i, flow := range unwanted {
		l := v.look(flow.ID, flow.Remote)
		if l.never {
			continue
		}
		f.can[i/64] |= 1 << (i % 64)
		for b := range 32 {
			bit := uint32(1) << b
			if l.known&bit != 0 {
				f.conflict[b][^l.value>>b&1][i/64] |= 1 << (i % 64)
			}
			if (l.known|l.free)&bit != 0 {
				f.compares[b][i/64] |= 1 << (i % 64)
			}
		}
	}
	for i, extended := range []bool{false, true} {
		d := &f.ids[i]
		d.bits, d.missing, d.width, d.widthValue = v.idBits(extended)
		d.never = v == viewEight && extended
	}
	return f
}

// class is a code in the making.
type class struct {
	view  view
	group int8
	exact bool // a bank's list entry for its only member
	n     int
	seen  uint32 // bits that some member is compared in
	code  uint32
	drop  uint32 // bits that must be ignored
}

// join returns the class with one more member, and false if it cannot have it.
func (p *problem) join(c class, wanted int) (class, bool) {
	l := &p.fields[c.view].wanted[wanted]
	if l.never {
		return c, false
	}
	c.drop |= l.free | c.seen&l.known&(c.code^l.value)
	fresh := (l.known | l.free) &^ c.seen
	c.code |= l.value & l.known & fresh
	c.seen |= fresh
	c.n++
	return c, c.drop&p.layout.always == 0
}

// passing writes into set the flows that a class is known to let through: with
// bounds those that pass whatever else joins it, else those that pass as it is.
// seen and drop are those of its group.
func (p *problem) passing(set []uint64, c *class, seen, drop uint32, bound bool) {
	if c.exact || c.n == 0 {
		clear(set)
		return
	}
	f := p.fields[c.view]
	copy(set, f.can)
	care := seen &^ drop
	if bound {
		care = c.seen &^ drop
		for open := f.see &^ drop &^ c.seen; open != 0; open &= open - 1 {
			without(set, f.compares[mathbits.TrailingZeros32(open)])
		}
	}
	for ; care != 0; care &= care - 1 {
		b := mathbits.TrailingZeros32(care)
		without(set, f.conflict[b][c.code>>b&1])
	}
	p.work += 8 + p.words
}

func without(set, out []uint64) {
	for i, w := range out {
		set[i] &^= w
	}
}

// width counts the identifiers that a class lets through, at least.
func (p *problem) width(c *class, seen, drop uint32, bound bool) int64 {
	if c.n == 0 || !p.byWidth {
		return 0
	}
	if c.exact {
		return 1
	}
	f := p.fields[c.view]
	care := seen &^ drop
	if bound {
		care = f.see &^ drop
	}
	var sum int64
	for i := range f.ids {
		d := &f.ids[i]
		if d.never || care&d.width != 0 && c.code&d.width != d.widthValue {
			continue
		}
		sum += 1 << (mathbits.OnesCount32(d.bits&^care) + d.missing)
	}
	return sum
}

// sum is the rate of a set of flows.
func (p *problem) sum(set []uint64) int64 {
	var total int64
	for i, w := range set {
		if p.uniform != 0 {
			total += int64(mathbits.OnesCount64(w)) * p.uniform
			continue
		}
		for ; w != 0; w &= w - 1 {
			total += p.weight[i*64+mathbits.TrailingZeros64(w)]
		}
	}
	return total
}
