package mask

// state is a partial setting.
type state struct {
	classes []class
	pass    []uint64 // of each class, one behind the other
	widths  []int64  // of each class
	first   []int16  // of each class: its first member
	at      []int16  // by wanted identifier: its class, or absent
	union   []uint64
	width   int64
}

// absent is the class of an identifier that is not placed.
const absent = -1

// option is a way to place an identifier: into a class, at the end of the list
// for a new one, with the view that the class then has.
type option struct {
	class int
	view  view
}

func (p *problem) newState() *state {
	s := &state{at: make([]int16, len(p.wanted)), union: make([]uint64, p.words)}
	for i := range s.at {
		s.at[i] = absent
	}
	for _, place := range p.layout.places {
		s.classes = append(s.classes, class{view: place.view, group: place.group})
		s.first = append(s.first, absent)
	}
	s.widths = make([]int64, len(s.classes))
	s.pass = make([]uint64, len(s.classes)*p.words)
	return s
}

// set makes s equal to o.
func (s *state) set(o *state) {
	s.classes = append(s.classes[:0], o.classes...)
	s.pass = append(s.pass[:0], o.pass...)
	s.widths = append(s.widths[:0], o.widths...)
	s.first = append(s.first[:0], o.first...)
	s.at = append(s.at[:0], o.at...)
	s.union = append(s.union[:0], o.union...)
	s.width = o.width
}

// options lists the ways to place an identifier that the shape allows. Of places
// that are alike and empty only the first is listed.
func (p *problem) options(into []option, s *state, u int) []option {
	if p.layout.banks == 0 {
	next:
		for i, c := range s.classes {
			if c.n == 0 {
				for j := range i {
					if s.classes[j].n == 0 && p.layout.places[j] == p.layout.places[i] {
						continue next
					}
				}
			}
			into = append(into, option{i, c.view})
		}
		return into
	}
	if p.fits(s, len(s.classes), class{exact: true, view: p.listView(u)}) {
		into = append(into, option{len(s.classes), p.listView(u)})
	}
	for i := range s.classes {
		c := s.classes[i]
		if !c.exact {
			if p.fits(s, i, c) {
				into = append(into, option{i, c.view})
			}
			continue
		}
		// Two base identifiers lose nothing in a mask of 16 bits.
		if (!p.layout.list || p.listView(u) == view16) && p.fits(s, i, class{view: view16}) {
			into = append(into, option{i, view16})
		}
		wide := p.wanted[u].IsExtended() || p.wanted[s.first[i]].IsExtended()
		if wide && p.fits(s, i, class{view: view32}) {
			into = append(into, option{i, view32})
		}
	}
	return into
}

// listView is the width of an identifier's entry in a bank.
func (p *problem) listView(u int) view {
	if p.wanted[u].IsExtended() {
		return view32
	}
	return view16
}

// fits reports whether the banks hold the classes if class i is or becomes c. A
// branch must not be cut where more identifiers could make it fit again, as they
// can when an extended list entry becomes a mask of 16 bits: there quarters of
// banks are counted, which only grow.
func (p *problem) fits(s *state, i int, c class) bool {
	if !p.open || p.layout.list {
		return p.need(s.classes, i, c) <= p.layout.banks
	}
	quarters := func(c *class) int {
		switch {
		case c.exact && c.view == view16:
			return 1
		case !c.exact && c.view == view32:
			return 4
		}
		return 2
	}
	sum := quarters(&c)
	for k := range s.classes {
		if k != i {
			sum += quarters(&s.classes[k])
		}
	}
	return sum <= 4*p.layout.banks
}

// holds reports whether the shape holds the classes as they are.
func (p *problem) holds(s *state) bool {
	return p.layout.banks == 0 || p.need(s.classes, -1, class{}) <= p.layout.banks
}

// need is how many banks the classes take if class i is or becomes c. A place
// that a list of two or a pair of masks leaves over holds a base identifier.
func (p *problem) need(classes []class, i int, c class) int {
	var lists, masks [2]int // of 16 bits, of 32
	add := func(c *class) {
		kind := 0
		if c.view == view32 {
			kind = 1
		}
		if c.exact {
			lists[kind]++
		} else {
			masks[kind]++
		}
	}
	for k := range classes {
		if k != i {
			add(&classes[k])
		}
	}
	if i >= 0 {
		add(&c)
	}
	if p.layout.list {
		return (lists[0]+lists[1]+1)/2 + masks[0] + masks[1]
	}
	base := max(0, lists[0]-lists[1]%2-masks[0]%2)
	return (lists[1]+1)/2 + (masks[0]+1)/2 + masks[1] + (base+3)/4
}

// try writes into next the state s with an identifier placed, and returns a lower
// bound of what every setting that continues it lets through; false if it cannot
// be placed so. next must not be s.
func (p *problem) try(s, next *state, u int, o option) (cost, bool) {
	var c class
	isNew := o.class == len(s.classes)
	switch {
	case isNew:
		c = class{view: o.view, group: -1, exact: true}
	case s.classes[o.class].exact:
		c = class{view: o.view, group: -1}
		c, _ = p.join(c, int(s.first[o.class])) // views of banks take everything
	default:
		c = s.classes[o.class]
	}
	c, ok := p.join(c, u)
	if !ok {
		return worst, false
	}
	next.set(s)
	if isNew {
		next.classes, next.first = append(next.classes, c), append(next.first, int16(u))
		next.widths = append(next.widths, 0)
		for range p.words {
			next.pass = append(next.pass, 0)
		}
	} else {
		next.classes[o.class] = c
		if c.n == 1 {
			next.first[o.class] = int16(u)
		}
	}
	next.at[u] = int16(o.class)
	p.refresh(next, o.class, true)
	return p.bound(next), true
}

// refresh works out what a class and those that share its mask let through.
func (p *problem) refresh(s *state, changed int, bound bool) {
	group := s.classes[changed].group
	seen, drop := p.shared(s, changed)
	for i := range s.classes {
		c := &s.classes[i]
		if i != changed && (group < 0 || c.group != group) {
			continue
		}
		p.passing(s.pass[i*p.words:(i+1)*p.words], c, seen, drop, bound)
		s.width -= s.widths[i]
		s.widths[i] = p.width(c, seen, drop, bound)
		s.width += s.widths[i]
	}
}

// shared returns the bits that the group of a class sees and must ignore.
func (p *problem) shared(s *state, i int) (seen, drop uint32) {
	group := s.classes[i].group
	for k := range s.classes {
		if c := &s.classes[k]; k == i || group >= 0 && c.group == group {
			seen, drop = seen|c.seen, drop|c.drop
		}
	}
	return seen, drop
}

// bound adds up what the classes let through.
func (p *problem) bound(s *state) cost {
	clear(s.union)
	for i := range s.classes {
		if s.classes[i].n > 0 && !s.classes[i].exact {
			for k, w := range s.pass[i*p.words : (i+1)*p.words] {
				s.union[k] |= w
			}
		}
	}
	p.work += len(s.classes) + p.words
	return cost{p.sum(s.union), s.width}
}

// settle makes a whole setting of a state and returns what it lets through:
// codes that are not used repeat a wanted identifier, where that costs least.
func (p *problem) settle(s *state) cost {
	for i := range s.classes {
		if s.classes[i].n > 0 {
			continue
		}
		empty, best, member := s.classes[i], worst, -1
		for u := range p.wanted {
			if s.at[u] == absent {
				continue
			}
			var ok bool
			if s.classes[i], ok = p.join(empty, u); ok {
				if c := p.exact(s); c.less(best) {
					best, member = c, u
				}
			}
		}
		s.classes[i] = empty
		if member >= 0 {
			s.classes[i], _ = p.join(empty, member)
			s.first[i] = int16(member)
		}
	}
	return p.exact(s)
}

// exact returns what a state lets through as it is.
func (p *problem) exact(s *state) cost {
	for i := range s.classes {
		if g := s.classes[i].group; g < 0 || i == 0 || s.classes[i-1].group != g {
			p.refresh(s, i, false)
		}
	}
	return p.bound(s)
}
