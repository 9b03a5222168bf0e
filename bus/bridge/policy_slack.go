package bridge

import (
	"math"
	"slices"
	"time"

	"stalegauge/bus/fate"
)

// slack puts a price on air: a record goes when the cost of age that it takes
// away from the displays, by expectation, is more than its air costs. It is index
// scheduling for broadcasts over an unreliable medium (Kadota, Sinha,
// Uysal-Biyikoglu, Singh, Modiano 2018), with the expectation in the place of the
// acknowledgement that a broadcast does not get, and with limits.
//
// A receiver holds the value sent last, or, if that was lost, what it held
// before. With s the chance that a broadcast is lost now if the last one was, and
// late the cost of an age,
//
//	gain = (1-loss) (late(last) - late(new)) + loss (1-s) (late(before) - late(last))
//
// for a number: what is newer, and the repeat as insurance, which is worth nothing
// right after a sending. A state that has changed since it was sent goes at once,
// as does what has never been sent; one that has not is worth m (1-s) late(time
// since its change), where m is the chance that the displays still miss it, but
// never less than 0.02 (time since it was sent / ten limits)^power for displays
// that start late. What is worth its air is sent if together it is worth an empty
// broadcast as well, most gain first.
//
// It decides whenever it is offered a value and at every tick. A broadcast that is
// worth sending while the medium or the limit is closed is decided about again
// when they open. Before a first sending the displays are taken to hold values at
// their limits.
type slack struct {
	base
	rule  *SlackRule
	tick  time.Duration // the next one
	lead  bool          // of the streams that share the price, the one that changes it
	price *price
	stay  staying

	late    []lateness // by slot
	watches []watch    // by slot, for states
	keys    []slackKey
	picks   []slackPick   // decided on, most gain first
	most    int           // how many of them go into one broadcast
	at      time.Duration // of the decision
	sent    bool          // something has left since
}

type slackKey struct {
	value   int32 // newest here, or -1
	slot    int32
	state   bool
	sent    bool
	changed bool          // what is watched of a state, since it was sent
	air     float64       // milliseconds
	last    time.Duration // valid-time of the value sent last
	before  float64       // expected valid-time of what a receiver holds that has lost it
	sentAt  time.Duration
	turned  time.Duration // valid-time of the last change
	missed  float64       // chance that a receiver misses the last change
	said    content
	seen    content
}

type slackPick struct {
	gain  float64 // less the price of its air
	order int32   // in the order of slot and page
	key   int32
}

func newSlack(own base, p *Policy) *slack {
	b := own.bridge
	s := &slack{base: own, rule: &p.Slack, tick: p.Phase, at: -1, stay: newStaying(p.Slack.Loss, p.Slack.Burst)}
	me := &b.streams[own.stream]
	for i := range b.streams {
		if b.streams[i].index == me.index && b.streams[i].price != nil {
			s.price = b.streams[i].price
		}
	}
	if s.lead = s.price == nil; s.lead {
		s.price = newPrice(b, s.rule, p.Phase.Truncate(p.Slack.Tick))
	}
	me.price = s.price
	s.late = make([]lateness, len(b.cfg.Forward))
	s.watches = make([]watch, len(b.cfg.Forward))
	for _, slot := range me.slots {
		s.late[slot] = newLateness(&b.cfg.Forward[slot].Need, s.rule)
		s.watches[slot] = newWatch(&b.cfg.Forward[slot].Watched)
	}
	return s
}

func (p *slack) offer(now time.Duration, value int32) {
	b := p.bridge
	b.want(now, value)
	v := &b.ledger.values[value]
	for int(v.key) >= len(p.keys) {
		p.keys = append(p.keys, slackKey{value: -1})
	}
	k := &p.keys[v.key]
	slot := v.record.Slot
	if k.value >= 0 {
		b.ledger.lose(k.value, fate.FrameReplaced)
	}
	k.value, k.slot, k.state = value, int32(slot), b.cfg.Forward[slot].Need.State
	k.air = float64(b.codec.RecordSize(slot, int(v.record.Length))) * p.price.perByte
	if k.state {
		w := &p.watches[slot]
		if w.differs(&k.seen, &v.record) {
			k.turned = v.record.ValidAt
			k.seen.set(&v.record)
		}
		k.changed = w.differs(&k.said, &v.record)
	}
	p.decide(now)
}

func (p *slack) due() time.Duration {
	if p.lead {
		return min(p.tick, p.price.next)
	}
	return p.tick
}

func (p *slack) fire(now time.Duration) {
	if p.lead {
		p.price.adapt(now)
	}
	if p.tick <= now {
		p.tick += p.rule.Tick
		p.decide(now)
	}
}

// gain returns what the record under a key would take off the cost of the ages.
func (p *slack) gain(now time.Duration, k *slackKey) float64 {
	if !k.sent || k.changed {
		return math.Inf(1)
	}
	l := &p.late[k.slot]
	loss := p.rule.Loss
	unlike := 1 - p.stay.after(now-k.sentAt)
	if k.state && !p.rule.Simple {
		refresh := 0.02 * l.raise(float64(now-k.sentAt)/l.refresh)
		return max(float64(k.missed*unlike)*l.of(float64(now-k.turned)), refresh)
	}
	held := l.of(float64(now - k.last))
	gain := float64(loss*unlike) * (l.of(float64(now)-k.before) - held)
	if v := &p.bridge.ledger.values[k.value]; v.record.ValidAt != k.last {
		gain += float64((1 - loss) * (held - l.of(float64(now-v.record.ValidAt))))
	}
	return gain
}

// decide chooses what a broadcast at now would carry, if it is worth sending.
func (p *slack) decide(now time.Duration) {
	p.picks, p.most, p.at, p.sent = p.picks[:0], 0, now, false
	b := p.bridge
	per := p.price.perMillisecond
	for i, key := range b.list.order {
		if int(key) >= len(p.keys) || p.keys[key].value < 0 {
			continue
		}
		k := &p.keys[key]
		if b.cfg.DropOlder > 0 && b.expired(now, k.value) {
			b.ledger.lose(k.value, fate.FrameExpired)
			k.value = -1
			continue
		}
		if gain := p.gain(now, k) - per*k.air; gain > 0 {
			p.picks = append(p.picks, slackPick{gain, int32(i), key})
		}
	}
	if len(p.picks) == 0 {
		return
	}
	slices.SortFunc(p.picks, morePressing)
	size, sum := b.codec.header, 0.0
	for _, pick := range p.picks {
		r := &b.ledger.values[p.keys[pick.key].value].record
		size += b.codec.RecordSize(r.Slot, int(r.Length))
		if size > b.cfg.MaxPayload || p.most == maxRecords {
			break
		}
		sum += pick.gain
		p.most++
	}
	if sum < per*p.price.empty {
		p.most = 0
		return
	}
	for _, pick := range p.picks[:p.most] {
		b.passHold(p.keys[pick.key].value, now)
	}
}

func morePressing(x, y slackPick) int {
	switch {
	case x.gain > y.gain:
		return -1
	case x.gain < y.gain:
		return 1
	default:
		return int(x.order - y.order)
	}
}

func (p *slack) ready() bool { return p.most > 0 }

func (p *slack) compose(now time.Duration) *Broadcast {
	if p.at != now || p.sent {
		p.decide(now)
	}
	if p.most == 0 {
		return nil
	}
	b := p.bridge
	c := b.newBroadcast(p.stream)
	rest := len(p.picks) > p.most
	for _, pick := range p.picks[:p.most] {
		p.send(now, c, pick.key)
	}
	p.most, p.sent = 0, true
	if rest { // the payload was full
		p.decide(now)
	}
	return c
}

// send puts the value under a key into a broadcast.
func (p *slack) send(now time.Duration, c *Broadcast, key int32) {
	b := p.bridge
	k := &p.keys[key]
	v := &b.ledger.values[k.value]
	s := p.stay.after(now - k.sentAt)
	switch {
	case !k.sent:
		k.before = float64(v.record.ValidAt) - p.late[k.slot].refresh/10
		k.missed = p.rule.Loss
	case k.changed:
		k.missed = p.rule.Loss
		k.before = float64((1-s)*float64(k.last)) + float64(s*k.before)
	default:
		k.missed *= s
		k.before = float64((1-s)*float64(k.last)) + float64(s*k.before)
	}
	k.last, k.sentAt, k.sent, k.changed = v.record.ValidAt, now, true, false
	if k.state {
		k.said.set(&v.record)
	}
	v.refs++
	b.include(c, k.value)
	b.passHold(k.value, now)
}

// giveUp waits for the next decision.
func (p *slack) giveUp(_ time.Duration, f fate.Frame) {
	for _, pick := range p.picks[:p.most] {
		p.bridge.ledger.note(p.keys[pick.key].value, f)
	}
	p.most = 0
}
