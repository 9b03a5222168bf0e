package mask

import "slices"

// search is one branch and bound over the identifiers of part.
type search struct {
	*problem
	part   []int
	best   cost
	found  *state // the setting of that cost, nil when none was better than asked for
	levels []*state
	spare  *state
	lists  [][]option
}

// branch looks for the setting of the identifiers of part that lets the least
// through, below upper. It returns false when the work was used up before that
// was certain. If nothing lies below upper the state is nil.
func (p *problem) branch(part []int, upper cost) (*state, cost, bool) {
	s := &search{problem: p, part: slices.Clone(part), best: upper, spare: p.newState()}
	for range len(part) + 1 {
		s.levels = append(s.levels, p.newState())
		s.lists = append(s.lists, nil)
	}
	p.open = true
	done := s.dive(0, cost{})
	p.open = false
	return s.found, s.best, done
}

// priced is an option with the lower bound of what follows from it.
type priced struct {
	option
	cost cost
}

// dive continues the state of a depth, the bound of which is have.
func (s *search) dive(depth int, have cost) bool {
	at := s.levels[depth]
	if depth == len(s.part) {
		if !s.holds(at) {
			return true
		}
		s.spare.set(at)
		if c := s.settle(s.spare); c.less(s.best) {
			s.best, s.found = c, s.newState()
			s.found.set(s.spare)
		}
		return true
	}
	u, bound := s.hardest(at, depth, have)
	if !bound.less(s.best) {
		return true
	}
	options := s.priced(at, u, depth)
	for _, o := range options {
		if !o.cost.less(s.best) {
			break
		}
		if s.work > s.budget {
			return false
		}
		s.try(at, s.levels[depth+1], u, o.option)
		if !s.dive(depth+1, o.cost) {
			return false
		}
	}
	return true
}

// hardest returns the identifier that costs most to place where it costs least,
// and that cost. Every setting must place it, so it bounds them all.
func (s *search) hardest(at *state, depth int, have cost) (int, cost) {
	hard, most := -1, cost{-1, -1}
	for _, u := range s.part {
		if at.at[u] != absent {
			continue
		}
		least := s.least(at, u, depth, have)
		if most.less(least) {
			hard, most = u, least
		}
		if !least.less(s.best) {
			break
		}
	}
	return hard, most
}

// least returns what it costs at least to place an identifier, worst if it cannot
// be placed.
func (s *search) least(at *state, u, depth int, have cost) cost {
	least := worst
	s.lists[depth] = s.options(s.lists[depth][:0], at, u)
	for _, o := range s.lists[depth] {
		if c, ok := s.try(at, s.spare, u, o); ok && c.less(least) {
			if least = c; !have.less(least) {
				break // nothing costs less than nothing
			}
		}
	}
	return least
}

// priced lists the ways to place an identifier, the cheapest first.
func (s *search) priced(at *state, u, depth int) []priced {
	var out []priced
	s.lists[depth] = s.options(s.lists[depth][:0], at, u)
	for _, o := range s.lists[depth] {
		if c, ok := s.try(at, s.spare, u, o); ok {
			out = append(out, priced{o, c})
		}
	}
	slices.SortStableFunc(out, func(x, y priced) int {
		switch {
		case x.cost.less(y.cost):
			return -1
		case y.cost.less(x.cost):
			return 1
		}
		return 0
	})
	return out
}

// finding is the outcome of solve.
type finding struct {
	state   *state // settled
	cost    cost
	bound   cost // no setting lets less through
	optimal bool
}

// solve looks for a good setting of all identifiers and proves how good it is. It
// solves a growing part of them to the end: that bounds the whole from below, and
// its setting, completed, bounds it from above.
func (p *problem) solve(start *finding) *finding {
	f := start
	if f == nil {
		f = &finding{cost: worst}
		p.start(f)
	}
	var part []int
	for {
		s, c, done := p.branch(part, f.cost)
		if !done {
			return f
		}
		if s == nil { // the part alone costs as much as all of it does at best
			f.bound, f.optimal = f.cost, true
			return f
		}
		f.bound = c
		p.complete(f, s, part)
		if !f.bound.less(f.cost) {
			f.optimal = true
			return f
		}
		if len(part) == len(p.wanted) {
			return f
		}
		part = p.grow(part, s)
	}
}

// complete places what a part's setting leaves out, and keeps the result if it is
// the best so far.
func (p *problem) complete(f *finding, s *state, part []int) {
	at := slices.Clone(s.at)
	for i := range at {
		if !slices.Contains(part, i) {
			at[i] = absent
		}
	}
	whole := p.rebuild(at, viewsOf(s), absent)
	if whole = p.deal(whole, p.inOrder()); whole != nil {
		p.keep(f, whole)
		p.keep(f, p.improve(whole))
	}
}

// keep notes a setting that is better than the best so far.
func (p *problem) keep(f *finding, s *state) {
	if !p.holds(s) {
		return
	}
	settled := p.newState()
	settled.set(s)
	if c := p.settle(settled); c.less(f.cost) {
		f.state, f.cost = settled, c
	}
}

// grow adds to a part what its best setting serves worst: a quarter more, at
// least one.
func (p *problem) grow(part []int, s *state) []int {
	at := slices.Clone(s.at)
	base := p.rebuild(at, viewsOf(s), absent)
	have := p.bound(base)
	b := &search{problem: p, best: worst, spare: p.newState(), lists: [][]option{nil}}
	type rated struct {
		u    int
		cost cost
	}
	var rest []rated
	for u := range p.wanted {
		if s.at[u] == absent {
			rest = append(rest, rated{u, b.least(base, u, 0, have)})
		}
	}
	slices.SortStableFunc(rest, func(x, y rated) int {
		switch {
		case y.cost.less(x.cost):
			return -1
		case x.cost.less(y.cost):
			return 1
		}
		return 0
	})
	part = slices.Clone(part)
	for _, r := range rest[:min(len(rest), max(1, len(part)/4))] {
		part = append(part, r.u)
	}
	return part
}
