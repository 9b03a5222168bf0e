package mask

// most is with how many classes merge begins at most.
const most = 256

// merger joins classes until the banks hold them.
type merger struct {
	*problem
	groups []group
	pairs  [][]union // of the groups i and j < i
	set    []uint64
}

// group is a class of banks in both widths, with its members.
type group struct {
	members []int
	class   [2]class // in 16 and 32 bits
	best    int      // which of them holds
	cost    cost
}

// union is what two groups let through together.
type union struct {
	best int
	cost cost
}

// merge begins with a list entry for each identifier, or for neighbours where
// there are very many, and joins the two classes whose union adds least to what
// passes, until the banks hold them.
func (p *problem) merge() *state {
	byWidth := p.byWidth
	p.byWidth = true // of equal rates the narrower is the better start
	defer func() { p.byWidth = byWidth }()
	m := merger{problem: p, set: make([]uint64, p.words)}
	each := (len(p.wanted) + most - 1) / most
	for u := range p.wanted {
		one := m.single(u)
		if u%each == 0 {
			m.groups = append(m.groups, one)
			continue
		}
		last := &m.groups[len(m.groups)-1]
		*last = m.together(last, &one, m.union(last, &one))
	}
	for i := range m.groups {
		m.pairs = append(m.pairs, make([]union, i))
		for j := range i {
			m.pairs[i][j] = m.union(&m.groups[i], &m.groups[j])
		}
	}
	for len(m.groups) > 1 && m.need(m.classes(), -1, class{}) > p.layout.banks {
		m.step()
	}
	at := make([]int16, len(p.wanted))
	var kinds []view
	for k := range m.groups {
		g := &m.groups[k]
		kinds = append(kinds, g.class[g.best].view)
		for _, u := range g.members {
			at[u] = int16(k)
		}
	}
	return p.rebuild(at, kinds, absent)
}

func (m *merger) single(u int) group {
	g := group{members: []int{u}}
	for i, v := range []view{view16, view32} {
		g.class[i], _ = m.join(class{view: v, group: -1}, u) // views of banks take everything
	}
	if m.wanted[u].IsExtended() {
		g.best = 1
	}
	g.cost.width = 1
	return g
}

func (m *merger) classes() []class {
	out := make([]class, len(m.groups))
	for i := range m.groups {
		g := &m.groups[i]
		out[i] = g.class[g.best]
		out[i].exact = len(g.members) == 1
	}
	return out
}

// joint is a class with the members of two.
func joint(a, b *class) class {
	c := *a
	c.drop |= b.drop | a.seen&b.seen&(a.code^b.code)
	c.code |= b.code &^ a.seen
	c.seen |= b.seen
	c.n += b.n
	return c
}

// union takes a mask of 16 bits where that loses nothing against one of 32.
func (m *merger) union(x, y *group) union {
	best := union{cost: worst}
	for i := range x.class {
		if m.layout.list && x.best != i { // a list is of one width
			continue
		}
		c := joint(&x.class[i], &y.class[i])
		m.passing(m.set, &c, c.seen, c.drop, true)
		if now := (cost{m.sum(m.set), m.width(&c, c.seen, c.drop, true)}); now.less(best.cost) {
			best = union{i, now}
		}
	}
	return best
}

func (m *merger) together(x, y *group, u union) group {
	g := group{members: append(x.members, y.members...), best: u.best, cost: u.cost}
	for i := range g.class {
		g.class[i] = joint(&x.class[i], &y.class[i])
	}
	return g
}

// step joins the two groups whose union adds least.
func (m *merger) step() {
	bi, bj, least := 1, 0, worst
	for i := range m.pairs {
		for j, u := range m.pairs[i] {
			u.cost.rate -= m.groups[i].cost.rate + m.groups[j].cost.rate
			if u.cost.less(least) {
				bi, bj, least = i, j, u.cost
			}
		}
	}
	m.groups[bj] = m.together(&m.groups[bj], &m.groups[bi], m.pairs[bi][bj])
	last := len(m.groups) - 1
	if bi != last { // the last one takes the place that became free
		m.groups[bi] = m.groups[last]
		for j := range bi {
			m.pairs[bi][j] = m.pairs[last][j]
		}
		for i := bi + 1; i < last; i++ {
			m.pairs[i][bi] = m.pairs[last][i]
		}
	}
	m.groups, m.pairs = m.groups[:last], m.pairs[:last]
	for k := range m.groups {
		if k != bj {
			i, j := max(k, bj), min(k, bj)
			m.pairs[i][j] = m.union(&m.groups[i], &m.groups[j])
		}
	}
}
