package mask

import (
	"cmp"
	"slices"

	"stalegauge/bus"
)

// point is an identifier on the line that a list of elements covers.
type point struct {
	number uint32
	wanted bool
	rate   int64 // of an unwanted one
}

// step is what a covering does at a point.
type step uint8

const (
	stepSkip   step = iota // outside of every range
	stepSingle             // half of an accepting pair
	stepOpen               // the first of a range
	stepInside             // inside a range
	stepHole               // inside a range, half of a rejecting pair
)

// covering finds the elements that accept all wanted points and the least of the
// others: ranges, accepting pairs, and rejecting pairs that punch holes. A
// rejected run of several identifiers is what two ranges do for the same price.
//
// It goes through the points in order. A state is: inside a range or not, an odd
// number of accepted singles or not, and the half elements spent.
type covering struct {
	points []point
	most   int // elements
	halves int // states of half elements
	from   [][]origin
	costs  []cost
}

type origin struct {
	step  step
	state int32 // at the point before, -1 where the state is not reached
}

func (c *covering) state(inside, odd bool, halves int) int {
	s := 0
	if inside {
		s += 2
	}
	if odd {
		s++
	}
	return s*c.halves + halves
}

// elements is how many elements a state takes: an odd single takes a whole one,
// and so does an odd hole.
func (c *covering) elements(state int) int {
	halves, odd := state%c.halves, state/c.halves%2
	holes := (halves + odd) % 2
	return (halves + odd + holes) / 2
}

// solve returns a step for each point, and what they let pass.
func (c *covering) solve() (steps []step, passed cost) {
	c.halves = 2*c.most + 1
	const sides = 4
	c.costs = make([]cost, sides*c.halves)
	for i := range c.costs {
		c.costs[i] = worst
	}
	c.costs[0] = cost{}
	for i := range c.points {
		c.advance(i)
	}
	end := -1
	for halves := range c.halves {
		for _, odd := range []bool{false, true} {
			s := c.state(false, odd, halves)
			if c.elements(s) <= c.most && (end < 0 || c.costs[s].less(c.costs[end])) && c.costs[s] != worst {
				end = s
			}
		}
	}
	passed = c.costs[end]
	steps = make([]step, len(c.points))
	for i := len(c.points) - 1; i >= 0; i-- {
		o := c.from[i][end]
		steps[i], end = o.step, int(o.state)
	}
	return steps, passed
}

// advance goes over one point.
func (c *covering) advance(i int) {
	next := make([]cost, len(c.costs))
	from := make([]origin, len(c.costs))
	for s := range next {
		next[s], from[s].state = worst, -1
	}
	p := &c.points[i]
	gap := int64(0)
	if i > 0 {
		gap = int64(p.number-c.points[i-1].number) - 1
	}
	reach := func(old int, what step, inside, odd bool, halves int, add cost) {
		if halves >= c.halves {
			return
		}
		s := c.state(inside, odd, halves)
		now := cost{c.costs[old].rate + add.rate, c.costs[old].width + add.width}
		if now.less(next[s]) {
			next[s], from[s] = now, origin{what, int32(old)}
		}
	}
	for old, have := range c.costs {
		if have == worst {
			continue
		}
		inside, odd, halves := old/c.halves >= 2, old/c.halves%2 == 1, old%c.halves
		switch {
		case inside && p.wanted:
			reach(old, stepInside, true, odd, halves, cost{width: gap})
			reach(old, stepInside, false, odd, halves, cost{width: gap}) // its last one
		case inside:
			reach(old, stepInside, true, odd, halves, cost{p.rate, gap + 1})
			reach(old, stepHole, true, odd, halves+1, cost{width: gap})
		case p.wanted:
			reach(old, stepSingle, false, !odd, halves+1, cost{})
			reach(old, stepOpen, true, odd, halves+2, cost{})
			reach(old, stepOpen, false, odd, halves+2, cost{}) // the only one, for want of a half
		default:
			reach(old, stepSkip, false, odd, halves, cost{})
		}
	}
	c.costs = next
	c.from = append(c.from, from)
}

// list sets the elements of both widths.
func (a *Answer) list(shape Shape, unwanted []Flow, work int) {
	var words []uint32
	sizes := [2]int{}
	for side, most := range []int{shape.first, shape.second} {
		points := points(a.Wanted, unwanted, side == 1)
		if !slices.ContainsFunc(points, func(p point) bool { return p.wanted }) {
			continue
		}
		best, passed := a.ranges(points, most)
		if passed != (cost{}) {
			if masks, c := a.masks(points, most, side == 1, work/2); c.less(passed) {
				best = masks
			}
		}
		for _, e := range best {
			sizes[side]++
			if side == 0 {
				words = append(words, baseElement(e.kind, e.action, e.a, e.b))
			} else {
				pair := extendedElement(e.kind, e.action, e.a, e.b)
				words = append(words, pair[:]...)
			}
		}
		a.Tight = a.Tight && passed == cost{}
	}
	const rules = 2<<ruleBase | 2<<ruleExtended | ruleRemoteBase | ruleRemoteExtended
	a.Program = must(shape, append([]uint32{rules, bus.MaxExtendedNumber, uint32(sizes[0] | sizes[1]<<8)}, words...))
}

// ranges returns the best list of ranges, pairs and holes, and what it lets pass.
func (a *Answer) ranges(points []point, most int) ([]element, cost) {
	c := &covering{points: points, most: most}
	steps, passed := c.solve()
	a.Work += len(points) * 4 * c.halves
	return cover(points, steps), passed
}

// masks returns the best list of masks and pairs that was found, with holes in
// what room is left, and what it lets pass.
func (a *Answer) masks(points []point, most int, extended bool, work int) ([]element, cost) {
	var wanted []bus.ID
	var unwanted []Flow
	width := bus.ID(0)
	if extended {
		width = bus.Extended
	}
	for _, p := range points {
		if id := bus.ID(p.number) | width; p.wanted {
			wanted = append(wanted, id)
		} else {
			unwanted = append(unwanted, Flow{ID: id, PerSecond: float64(p.rate) / 1e6})
		}
	}
	p := newProblem(layout{banks: most, list: true}, wanted, unwanted)
	f := p.prove(work)
	a.Work += p.work
	shift := 5 // of the identifier in a word of 16 bits
	if extended {
		shift = 3
	}
	var out []element
	var singles []uint32
	for i := range f.state.classes {
		c := &f.state.classes[i]
		care := c.seen &^ c.drop
		if c.exact {
			singles = append(singles, c.code>>shift)
			continue
		}
		out = append(out, element{kind: elementMask, action: 1, a: c.code & care >> shift, b: care >> shift})
	}
	out = append(out, pairs(singles, 1)...)
	passed := f.cost
	leaks := slices.DeleteFunc(slices.Clone(points), func(q point) bool {
		return q.wanted || !slices.ContainsFunc(out, func(e element) bool { return e.matches(q.number, q.number) })
	})
	slices.SortStableFunc(leaks, func(x, y point) int { return cmp.Compare(y.rate, x.rate) })
	var holes []uint32
	for _, q := range leaks[:min(len(leaks), 2*(most-len(out)))] {
		holes = append(holes, q.number)
		passed.rate -= q.rate
		passed.width--
	}
	return append(pairs(holes, actionReject), out...), passed
}

// points are the identifiers of one width in order: those wanted, and those with
// traffic.
func points(wanted []bus.ID, unwanted []Flow, extended bool) []point {
	var out []point
	for _, id := range wanted {
		if id.IsExtended() == extended {
			out = append(out, point{number: id.Number(), wanted: true})
		}
	}
	for _, f := range unwanted {
		if !f.Remote && f.ID.IsExtended() == extended { // the rules turn remote frames away
			out = append(out, point{number: f.ID.Number(), rate: micro(f.PerSecond)})
		}
	}
	slices.SortFunc(out, func(x, y point) int { return int(x.number) - int(y.number) })
	sum := out[:0]
	for _, p := range out {
		if n := len(sum); n > 0 && sum[n-1].number == p.number {
			sum[n-1].rate += p.rate
			continue
		}
		sum = append(sum, p)
	}
	return sum
}

// cover writes steps as elements, those that reject first.
func cover(points []point, steps []step) []element {
	var singles, holes []uint32
	var ranges []element
	for i, s := range steps {
		switch n := points[i].number; s {
		case stepSingle:
			singles = append(singles, n)
		case stepHole:
			holes = append(holes, n)
		case stepOpen:
			ranges = append(ranges, element{kind: elementRange, action: 1, a: n, b: n})
		case stepInside:
			if points[i].wanted {
				ranges[len(ranges)-1].b = n
			}
		}
	}
	out := pairs(holes, actionReject)
	out = append(out, ranges...)
	return append(out, pairs(singles, 1)...)
}

func pairs(numbers []uint32, action uint32) (out []element) {
	for chunk := range slices.Chunk(numbers, 2) {
		out = append(out, element{kind: elementPair, action: action, a: chunk[0], b: chunk[len(chunk)-1]})
	}
	return out
}
