package bridge

import (
	"time"

	"stalegauge/bus/fate"
)

// change sends the latest value of an identifier and page when it differs, in
// what is watched, from the one sent last, but not before MinGap has passed since
// then, and the latest value in any case when Heartbeat has passed since then. The
// first value is sent at once. Broadcasts are made at hand-over, which is when a
// record counts as sent; all records that are due by then go into one, in order of
// slot and page. What changes back before it could be sent is not sent, unless
// Latch keeps it.
type change struct {
	shelf
	gap  time.Duration
	beat time.Duration // 0 = none

	keys  []changeKey
	count int           // of those that are wanted
	timer time.Duration // not after the next instant at which one becomes wanted
}

type changeKey struct {
	sentAt time.Duration // or given up
	wanted bool
}

func newChange(own base, p *Policy) *change {
	return &change{shelf: newShelf(own, p.Latch, true), gap: p.MinGap, beat: p.Heartbeat, timer: never}
}

func (p *change) offer(now time.Duration, value int32) {
	p.keep(value)
	key := p.bridge.ledger.values[value].key
	for int(key) >= len(p.keys) {
		p.keys = append(p.keys, changeKey{})
	}
	before := p.keys[key].wanted
	if p.judge(now, key); before && !p.keys[key].wanted {
		p.bridge.unwant(key)
	}
}

// judge finds out whether a key is to be sent now, and when to look again if not.
func (p *change) judge(now time.Duration, key int32) {
	it, k := &p.items[key], &p.keys[key]
	index := it.next()
	wanted := false
	if index >= 0 {
		news := !it.sent || p.differs(it, index)
		open := k.sentAt + p.gap
		beat := never
		if p.beat > 0 {
			beat = k.sentAt + p.beat
		}
		wanted = !it.sent || news && now >= open || now >= beat
		if !wanted && news {
			beat = min(beat, open)
		}
		if !wanted {
			p.timer = min(p.timer, beat)
		}
	}
	if wanted != k.wanted {
		k.wanted = wanted
		if p.count--; wanted {
			p.count += 2
		}
	}
	if wanted {
		p.bridge.want(now, index)
		p.bridge.passHold(index, now)
	}
}

func (p *change) due() time.Duration { return p.timer }

func (p *change) fire(now time.Duration) {
	p.timer = never
	for key := range p.keys {
		if !p.keys[key].wanted {
			p.judge(now, int32(key))
		}
	}
}

func (p *change) ready() bool { return p.count > 0 }

func (p *change) compose(now time.Duration) *Broadcast {
	b := p.bridge
	p.sweepKeys(now)
	c := b.newBroadcast(p.stream)
	for _, key := range b.list.order {
		if int(key) >= len(p.keys) || !p.keys[key].wanted {
			continue
		}
		if !p.fits(c, p.items[key].next()) {
			break
		}
		p.send(now, c, key)
		p.keys[key].sentAt = now
		p.judge(now, key)
	}
	if len(c.Records) == 0 {
		b.finish(c)
		return nil
	}
	return c
}

// sweepKeys drops what has grown too old.
func (p *change) sweepKeys(now time.Duration) {
	if p.bridge.cfg.DropOlder == 0 {
		return
	}
	p.sweep(now)
	for key := range p.keys {
		if p.keys[key].wanted {
			p.judge(now, int32(key))
		}
	}
}

// giveUp counts what was to be sent as sent: the next change or heartbeat makes
// up for it.
func (p *change) giveUp(now time.Duration, f fate.Frame) {
	for key := range p.keys {
		if !p.keys[key].wanted {
			continue
		}
		it := &p.items[key]
		it.said.set(&p.bridge.ledger.values[it.next()].record)
		it.sent = true
		p.keys[key].sentAt = now
		p.forgo(int32(key), f)
		p.judge(now, int32(key))
	}
}
