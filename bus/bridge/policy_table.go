package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// table keeps the latest value of each identifier and page and sends them every
// period.
//
// At a due instant a round begins. Its broadcasts are made at hand-over, so they
// carry the values of that instant, in order of slot and page. What one payload
// cannot hold follows in further broadcasts as soon as they may leave, each again
// with the values of its own instant. A due instant inside a round does not start
// it over: the round goes on to its end, and one new round follows at once,
// however many due instants have come.
//
// An entry with a multiple m > 1 is in every m-th round only: of the entries with
// the same m, counted from 0 in order of slot, the n-th is in the rounds n, n+m,
// n+2m and so on, which spreads them evenly. With Rotate a paged identifier sends
// one page in each of its rounds, in order of page, again from the first after
// the last.
//
// OnlyNew leaves out a value that a broadcast carries or has carried on the air;
// one whose broadcasts have all failed is new again. With Latch a round sends the
// pulse of an identifier and the next one what followed it.
type table struct {
	shelf
	every   time.Duration
	timer   time.Duration
	onlyNew bool
	rotate  bool

	multiples []int64 // by slot
	offsets   []int64
	round     int64
	inRound   []bool  // by slot: in this round
	next      []bool  // in the round after it
	turns     []int32 // by slot, with rotate: key of the page of this round, or -1
	pages     []int   // by slot, with rotate: page sent last

	open   bool  // a round is under way
	missed bool  // a due instant has come inside it
	behind place // of the last record that the round has sent
}

// place is where a key stands in the order of slot and page.
type place struct{ slot, page int }

var front = place{-1, NoPage}

func newTable(own base, p *Policy) *table {
	n := len(own.bridge.cfg.Forward)
	t := &table{
		shelf: newShelf(own, p.Latch, false),
		every: p.Every, timer: p.Phase, onlyNew: p.OnlyNew, rotate: p.Rotate,
		inRound: make([]bool, n), next: make([]bool, n), turns: make([]int32, n), pages: make([]int, n),
	}
	t.multiples, t.offsets = multiples(&own.bridge.cfg, own.bridge.streams[own.stream].index)
	for i := range t.turns {
		t.turns[i], t.pages[i] = -1, NoPage
	}
	return t
}

func (p *table) offer(now time.Duration, value int32) {
	p.bridge.want(now, value)
	p.keep(value)
}

func (p *table) due() time.Duration { return p.timer }

func (p *table) fire(now time.Duration) {
	p.timer += p.every
	marks := p.inRound
	if p.open {
		marks, p.missed = p.next, true
	}
	for _, slot := range p.slots() {
		if (p.round-p.offsets[slot])%p.multiples[slot] == 0 {
			marks[slot] = true
		}
	}
	p.round++
	if !p.rotate {
		p.passDue(marks, now)
	}
	if !p.open {
		p.begin(now)
	}
}

// passDue lets the values of the marked slots pass the hold stage.
func (p *table) passDue(marks []bool, now time.Duration) {
	for _, key := range p.bridge.list.order {
		if v := p.peek(key); v >= 0 && marks[p.bridge.list.gates[key].slot] {
			p.bridge.passHold(v, now)
		}
	}
}

// begin opens a round of what is due if there is anything to send.
func (p *table) begin(now time.Duration) {
	p.behind = front
	p.missed = false
	if p.rotate {
		p.turn(now)
	}
	if p.open = p.more(); !p.open {
		clear(p.inRound)
	}
}

// turn chooses the page of each slot that is due.
func (p *table) turn(now time.Duration) {
	l := &p.bridge.list
	for _, slot := range p.slots() {
		p.turns[slot] = -1
		if !p.inRound[slot] {
			continue
		}
		if l.entries[slot].Selector == nil {
			p.turns[slot] = l.plain[slot]
		}
		for _, k := range l.pages[slot] {
			if p.sendable(k.key) < 0 {
				continue
			}
			if p.turns[slot] < 0 {
				p.turns[slot] = k.key // the first page, if none comes after the last sent
			}
			if k.page > p.pages[slot] {
				p.turns[slot] = k.key
				break
			}
		}
		if key := p.turns[slot]; key >= 0 && p.peek(key) >= 0 {
			p.bridge.passHold(p.peek(key), now)
		}
	}
}

// end closes the round and opens the one that is due meanwhile.
func (p *table) end(now time.Duration) {
	p.open = false
	p.inRound, p.next = p.next, p.inRound
	clear(p.next)
	if p.missed {
		p.begin(now)
	}
}

// sendable returns the value that a round may send under a key, or -1.
func (p *table) sendable(key int32) int32 {
	index := p.peek(key)
	if index < 0 || !p.onlyNew {
		return index
	}
	if v := &p.bridge.ledger.values[index]; v.sent || v.refs > 1 {
		return -1
	}
	return index
}

// wanted returns the value that the round has still to send under a key, or -1.
func (p *table) wanted(key int32) int32 {
	g := &p.bridge.list.gates[key]
	if !p.inRound[g.slot] || g.slot < p.behind.slot || g.slot == p.behind.slot && g.page <= p.behind.page {
		return -1
	}
	if p.rotate && p.turns[g.slot] != key {
		return -1
	}
	return p.sendable(key)
}

// more reports whether the round has anything left to send.
func (p *table) more() bool {
	for _, key := range p.bridge.list.order {
		if p.wanted(key) >= 0 {
			return true
		}
	}
	return false
}

func (p *table) ready() bool { return p.open }

func (p *table) compose(now time.Duration) *Broadcast {
	b := p.bridge
	p.sweep(now)
	c := b.newBroadcast(p.stream)
	for _, key := range b.list.order {
		index := p.wanted(key)
		if index < 0 {
			continue
		}
		if !p.fits(c, index) {
			break
		}
		g := &b.list.gates[key]
		p.behind = place{g.slot, g.page}
		p.pages[g.slot] = g.page
		p.send(now, c, key)
	}
	if !p.more() {
		p.end(now)
	}
	if len(c.Records) == 0 {
		b.finish(c)
		return nil
	}
	return c
}

// giveUp drops what is left of the round. The values stay in the table, but for
// pulses.
func (p *table) giveUp(_ time.Duration, f fate.Frame) {
	for _, key := range p.bridge.list.order {
		if v := p.wanted(key); v >= 0 {
			p.forgo(key, f)
		}
	}
	p.open, p.missed = false, false
	clear(p.inRound)
	clear(p.next)
}
