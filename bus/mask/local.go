package mask

import (
	"math/rand/v2"
	"slices"
)

// viewsOf returns the view of each class, for rebuild.
func viewsOf(s *state) []view {
	out := make([]view, len(s.classes))
	for i := range s.classes {
		out[i] = s.classes[i].view
	}
	return out
}

// rebuild makes a state of the classes that the identifiers are in, skip left
// out. Classes of banks that come out empty are dropped, single members become
// list entries. It returns nil where a class cannot have its members.
func (p *problem) rebuild(at []int16, kinds []view, skip int) *state {
	p.work += len(at) / 8
	s := p.newState()
	fixed := p.layout.banks == 0
	number := make([]int16, len(kinds)) // of the classes of banks, as they come up
	for i := range number {
		number[i] = absent
	}
	for u, k := range at {
		if k == absent || u == skip {
			continue
		}
		i := k
		if !fixed {
			if i = number[k]; i == absent {
				i = int16(len(s.classes))
				number[k] = i
				s.classes = append(s.classes, class{view: kinds[k], group: -1})
				s.first, s.widths = append(s.first, int16(u)), append(s.widths, 0)
			}
		}
		var ok bool
		if s.classes[i], ok = p.join(s.classes[i], u); !ok {
			return nil
		}
		if s.classes[i].n == 1 {
			s.first[i] = int16(u)
		}
		s.at[u] = i
	}
	s.pass = make([]uint64, len(s.classes)*p.words)
	for i := range s.classes {
		if c := &s.classes[i]; !fixed && c.n == 1 {
			*c = class{view: p.listView(int(s.first[i])), group: -1, exact: true}
			*c, _ = p.join(*c, int(s.first[i]))
		}
		if g := s.classes[i].group; g < 0 || i == 0 || s.classes[i-1].group != g {
			p.refresh(s, i, true)
		}
	}
	return s
}

// improve moves one identifier after the other to where it costs least, until
// none moves or the work is used up.
func (p *problem) improve(s *state) *state {
	now := p.bound(s)
	next := p.newState()
	var options []option
	for moved := true; moved; {
		moved = false
		for u := range p.wanted {
			if p.work > p.budget {
				return s
			}
			without := p.rebuild(s.at, viewsOf(s), u)
			if without == nil {
				continue
			}
			least, where := now, option{class: absent}
			options = p.options(options[:0], without, u)
			for _, o := range options {
				if c, ok := p.try(without, next, u, o); ok && c.less(least) {
					least, where = c, o
				}
			}
			if where.class != absent {
				p.try(without, next, u, where)
				s, next = next, p.newState()
				now, moved = least, true
			}
		}
	}
	return s
}

// start finds a first setting.
func (p *problem) start(f *finding) {
	if p.layout.banks > 0 {
		p.keep(f, p.improve(p.merge()))
		return
	}
	// Begin with each identifier alone in the first code, in some orders.
	const orders = 8
	dice := rand.New(rand.NewPCG(1, 2))
	order := p.inOrder()
	for range orders {
		if s := p.deal(p.newState(), p.bothFirst(order)); s != nil {
			p.keep(f, p.improve(s))
		}
		if p.work > p.budget/4 && f.state != nil {
			return
		}
		dice.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
}

// deal places identifiers that a state has not placed yet in an order, each where
// it costs least. It returns nil where that does not work out.
func (p *problem) deal(s *state, order []int) *state {
	next := p.newState()
	var options []option
	for _, u := range order {
		if s.at[u] != absent {
			continue
		}
		least, where := worst, option{class: absent}
		options = p.options(options[:0], s, u)
		for _, o := range options {
			if c, ok := p.try(s, next, u, o); ok && c.less(least) {
				least, where = c, o
			}
		}
		if where.class == absent {
			return nil
		}
		p.try(s, next, u, where)
		s, next = next, s
	}
	return s
}

// bothFirst is an order that begins with one identifier of each width: then each
// has a code before there are none left, and whatever follows can join it.
func (p *problem) bothFirst(order []int) []int {
	out := slices.Clone(order)
	for k, extended := range []bool{false, true} {
		i := slices.IndexFunc(out, func(u int) bool { return p.wanted[u].IsExtended() == extended })
		if i > k {
			out[k], out[i] = out[i], out[k]
		}
	}
	return out
}

// inOrder are all wanted identifiers in their order.
func (p *problem) inOrder() []int {
	order := make([]int, len(p.wanted))
	for i := range order {
		order[i] = i
	}
	return order
}
