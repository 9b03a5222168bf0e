package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// table keeps the latest value of each identifier and page and sends them all
// every period.
//
// At a due instant a round begins. Its broadcasts are made at hand-over, so they
// carry the values of that instant, in order of slot and page. What one payload
// cannot hold follows in further broadcasts as soon as they may leave, each again
// with the values of its own instant. A due instant inside a round does not start
// it over: the round goes on to its end, and one new round follows at once,
// however many due instants have come.
//
// OnlyNew leaves out a value that a broadcast carries or has carried on the air;
// one whose broadcasts have all failed is new again.
type table struct {
	bridge  *Bridge
	every   time.Duration
	timer   time.Duration
	onlyNew bool

	cells  []int32 // by key: value, or -1
	open   bool    // a round is under way
	missed bool    // a due instant has come inside it
	behind gate    // slot and page of the last record that the round has sent
}

func (p *table) offer(_ time.Duration, value int32) {
	l := &p.bridge.ledger
	key := int(l.values[value].key)
	for len(p.cells) <= key {
		p.cells = append(p.cells, -1)
	}
	if old := p.cells[key]; old >= 0 {
		l.lose(old, fate.FrameReplaced)
	}
	p.cells[key] = value
}

func (p *table) due() time.Duration { return p.timer }

func (p *table) fire(now time.Duration) {
	p.timer += p.every
	for _, key := range p.bridge.list.order {
		if v := p.cell(key); v >= 0 {
			p.bridge.passHold(v, now)
		}
	}
	if p.open {
		p.missed = true
		return
	}
	p.begin()
}

// begin opens a round if there is anything to send.
func (p *table) begin() {
	p.behind = gate{slot: -1, page: NoPage}
	p.missed = false
	p.open = p.more()
}

// end closes the round and opens the one that is due meanwhile.
func (p *table) end() {
	p.open = false
	if p.missed {
		p.begin()
	}
}

// cell returns the value held under a key, or -1.
func (p *table) cell(key int32) int32 {
	if int(key) >= len(p.cells) {
		return -1
	}
	return p.cells[key]
}

// wanted returns the value that the round has still to send under a key, or -1.
func (p *table) wanted(key int32) int32 {
	index := p.cell(key)
	if index < 0 {
		return -1
	}
	g := &p.bridge.list.gates[key]
	if g.slot < p.behind.slot || g.slot == p.behind.slot && g.page <= p.behind.page {
		return -1
	}
	if v := &p.bridge.ledger.values[index]; p.onlyNew && (v.sent || v.refs > 1) {
		return -1
	}
	return index
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
	c := b.newBroadcast()
	for _, key := range b.list.order {
		index := p.wanted(key)
		if index < 0 {
			continue
		}
		v := &b.ledger.values[index]
		size := b.codec.RecordSize(v.record.Slot, int(v.record.Length))
		if len(c.Records) == maxRecords || c.Size+size > b.cfg.MaxPayload {
			break
		}
		v.refs++
		b.include(c, index)
		b.passHold(index, now)
		p.behind = b.list.gates[key]
	}
	if !p.more() {
		p.end()
	}
	if len(c.Records) == 0 {
		b.finish(c)
		return nil
	}
	return c
}

// giveUp drops what is left of the round. The values stay in the table.
func (p *table) giveUp(f fate.Frame) {
	for _, key := range p.bridge.list.order {
		if v := p.wanted(key); v >= 0 {
			p.bridge.ledger.note(v, f)
		}
	}
	p.open, p.missed = false, false
}
