package radio

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// dcf is the medium of group-addressed frames; ActionFrame.Channel states its
// rules. contend holds the rule of access, freeze and resume that of the
// counters, overlap that of collisions. The counters are worked out from the
// instants at which the medium went busy and idle, never slot by slot.
type dcf struct {
	profile *ActionFrame
	access  Access
	senders []sender        // stations, then background senders
	wake    []time.Duration // by sender: instant of its begin or arrival, never when it waits for others
	sources []source        // of the background senders
	onAir   []int           // senders, ascending
	starts  []int           // scratch: those that begin now

	sensed    int           // energies on the air that are sensed
	idleSince time.Duration // end of the last sensed energy and its extension
	busySince time.Duration // when the last sensed energy came on the idle medium
	period    uint64        // number of the busy period
	spoilt    bool          // the busy period has held a collision

	next     time.Duration
	anySince time.Duration // when the medium last went from no energy to some
	stations int
	usage    Usage
}

// none is the backoff of a sender that has none pending.
const none = -1

// sender is one station or background sender.
type sender struct {
	air, begin, end time.Duration // of its frame
	ifs             time.Duration // DIFS or EIFS in force since idleSince
	backoff         int           // slots left, or none
	window          int
	period          uint64 // busy period in which it last sent
	power           float64
	rng             *rand.Rand
	ready           bool // has a frame that waits or is on the air
	sending         bool
	collided        bool
	blind           bool // does not sense the medium
	hidden          bool // is not sensed by the others
}

// Channel returns the medium of IEEE 802.11 group-addressed frames: the
// distributed coordination function of 10.3.4 without acknowledgement and retry.
//
// A station whose broadcast finds the medium idle for at least DIFS and no
// backoff pending sends at once. Otherwise it draws a backoff uniform on 0..CW
// slots (10.3.3), the window never growing, since no failure is ever noticed.
// After each transmission a backoff is drawn even if nothing waits
// (post-backoff). The slots are counted on the idle medium from DIFS after the
// end of the last energy (and its signal extension); a slot counts when it has
// passed entirely. While the medium is busy the counter is frozen; what is left
// of it is counted from DIFS after the busy period. So the slot right after a
// busy period can only be used by a sender that drew 0, that is, by one that
// has just sent or whose broadcast came meanwhile (Tinnirello, Bianchi, Xiao
// 2010, for unicast), unlike the slot model of Bianchi 2000, in which a busy
// period counts as one slot for everybody. Ties collide. Carrier sense is
// perfect, without delay, and without the network allocation vector, which
// group-addressed frames do not set.
//
// Everybody waits DIFS after a collision, too; with EIFS chosen those that have
// not sent in the busy period wait EIFS after it when it held a collision.
//
// Any two transmissions whose energies overlap collide, hidden ones included:
// both are lost everywhere, unless Settings.Capture saves the stronger. The
// simulation goes from transmission to transmission: its cost does not depend
// on the number of slots, and grows with the number of senders.
func (p *ActionFrame) Channel(c ChannelConfig) Channel {
	if err := c.Check(); err != nil {
		panic("radio: " + err.Error())
	}
	total := c.Stations + len(c.Background)
	d := &dcf{
		profile: p, access: p.access, stations: c.Stations, usage: newUsage(c.Stations),
		senders: make([]sender, total), wake: make([]time.Duration, total),
		onAir: make([]int, 0, total), starts: make([]int, 0, total),
		idleSince: -time.Hour, busySince: -time.Hour,
	}
	for i := range d.senders {
		s := &d.senders[i]
		s.backoff, s.ifs, s.window = none, p.access.DIFS, p.access.Window
		d.wake[i] = never
		if i < c.Stations {
			s.blind, s.rng = p.blind, c.stream("backoff", i)
			if c.Power != nil {
				s.power = c.Power[i]
			}
			continue
		}
		b := c.Background[i-c.Stations]
		s.blind, s.hidden, s.power, s.air = b.Hidden || b.Deaf, b.Hidden, b.Power, b.Frame
		s.rng = c.stream("background backoff", i-c.Stations)
		if b.Window != 0 {
			s.window = b.Window
		}
		d.sources = append(d.sources, newSource(b, c.stream("background arrivals", i-c.Stations)))
		d.wake[i] = d.sources[i-c.Stations].next
	}
	d.schedule()
	return d
}

func (d *dcf) Request(now time.Duration, station, n int) {
	if station < 0 || station >= d.stations || d.senders[station].ready {
		panic(fmt.Sprintf("radio: station %d is unknown or asks while its broadcast is under way", station))
	}
	if now > d.next {
		panic(fmt.Sprintf("radio: request at %v, after the next instant %v", now, d.next))
	}
	s := &d.senders[station]
	s.ready, s.air = true, d.profile.Airtime(n)
	d.contend(station, now)
	d.next = min(d.next, d.wake[station])
}

func (d *dcf) Next() (time.Duration, bool) { return d.next, d.next != never }

func (d *dcf) Advance(now time.Duration, events []Event) []Event {
	if now != d.next || now == never {
		panic(fmt.Sprintf("radio: advance to %v, next instant is %v", now, d.next))
	}
	events = d.endAll(now, events)
	d.starts = d.starts[:0]
	for i, at := range d.wake {
		if at == now && d.begins(i, now) {
			d.starts = append(d.starts, i)
		}
	}
	if len(d.starts) > 0 {
		events = d.beginAll(now, events)
	}
	d.schedule()
	return events
}

// schedule finds the next instant.
func (d *dcf) schedule() {
	next := never
	for _, at := range d.wake {
		next = min(next, at)
	}
	for _, i := range d.onAir {
		next = min(next, d.senders[i].end)
	}
	d.next = next
}

// contend starts the access of a frame that has become ready at now.
func (d *dcf) contend(i int, now time.Duration) {
	s := &d.senders[i]
	if s.blind {
		d.wake[i] = now
		return
	}
	// A medium that went busy at this very instant was idle for whoever
	// becomes ready at it: a tie.
	busy := d.sensed > 0
	open := d.idleSince + s.ifs
	if s.backoff == none || !busy && now >= d.due(s) { // none pending, or the post-backoff is over
		s.backoff = none
		if now >= open && (!busy || d.busySince == now) {
			d.wake[i] = now
			return
		}
		s.backoff = s.rng.IntN(s.window + 1)
	}
	d.wake[i] = never
	if !busy {
		d.wake[i] = d.due(s)
	}
}

// due is the instant at which a backoff ends if the medium stays idle.
func (d *dcf) due(s *sender) time.Duration {
	return d.idleSince + s.ifs + time.Duration(s.backoff)*d.access.Slot
}

// begins deals with sender i, whose instant has come, and says whether it
// begins to send.
func (d *dcf) begins(i int, now time.Duration) bool {
	s := &d.senders[i]
	if i < d.stations {
		return true
	}
	src := &d.sources[i-d.stations]
	if !s.ready { // a burst has arrived at a sender without work
		src.absorb(now)
		s.ready = true
		d.contend(i, now)
		return d.wake[i] == now
	}
	if now >= src.until { // switched off while it waited
		src.queued, s.ready, d.wake[i] = 0, false, never
		return false
	}
	return true
}

// beginAll puts the frames of d.starts on the air.
func (d *dcf) beginAll(now time.Duration, events []Event) []Event {
	wasIdle := d.sensed == 0
	if len(d.onAir) == 0 {
		d.anySince = now
	}
	if wasIdle {
		d.period++
		d.spoilt = false
	}
	for _, i := range d.starts {
		s := &d.senders[i]
		s.begin, s.end = now, now+s.air
		s.sending, s.collided, s.backoff, s.period = true, false, none, d.period
		d.wake[i] = never
		if !s.hidden {
			d.sensed++
		}
		for _, j := range d.onAir {
			d.overlap(s, &d.senders[j])
		}
		d.putOnAir(i)
		if i < d.stations {
			events = append(events, Event{At: now, Kind: Began, Station: i, Until: s.end})
		}
	}
	if wasIdle && d.sensed > 0 {
		d.busySince = now
		d.freeze(now)
	}
	return events
}

// putOnAir adds sender i to those on the air, keeping their order.
func (d *dcf) putOnAir(i int) {
	d.onAir = append(d.onAir, i)
	for k := len(d.onAir) - 1; k > 0 && d.onAir[k-1] > i; k-- {
		d.onAir[k], d.onAir[k-1] = d.onAir[k-1], i
	}
}

// overlap says what becomes of two transmissions that are on the air at the
// same time: both are lost, unless capture is chosen and one is stronger than
// the other by at least that much. Each pair is judged by itself, whichever
// began first.
func (d *dcf) overlap(a, b *sender) {
	limit := d.profile.capture
	lostA := limit == 0 || a.power-b.power < limit
	lostB := limit == 0 || b.power-a.power < limit
	a.collided = a.collided || lostA
	b.collided = b.collided || lostB
	if lostA && !a.hidden || lostB && !b.hidden {
		d.spoilt = true
	}
}

// freeze stops all counters: the medium has become busy at now.
func (d *dcf) freeze(now time.Duration) {
	for i := range d.senders {
		s := &d.senders[i]
		if s.sending || s.blind {
			continue
		}
		if s.ready {
			d.wake[i] = never
		}
		if s.backoff == none {
			continue
		}
		if passed := now - d.idleSince - s.ifs; passed > 0 {
			s.backoff -= int(min(passed/d.access.Slot, time.Duration(s.backoff)))
		}
		if s.backoff == 0 && !s.ready && now >= d.idleSince+s.ifs {
			s.backoff = none // the post-backoff had ended
		}
	}
}

// endAll takes the frames that end at now off the air.
func (d *dcf) endAll(now time.Duration, events []Event) []Event {
	before, rest := d.sensed, d.onAir[:0]
	for _, i := range d.onAir {
		s := &d.senders[i]
		if s.end != now {
			rest = append(rest, i)
			continue
		}
		if !s.hidden {
			d.sensed--
		}
		s.sending, s.ready = false, false
		if !s.blind {
			s.backoff = s.rng.IntN(s.window + 1)
		}
		if i >= d.stations {
			d.endBackground(i, now)
			continue
		}
		d.bookEnd(i)
		events = append(events, Event{At: now, Kind: Ended, Station: i, Collided: s.collided})
	}
	if len(rest) == 0 && len(d.onAir) > 0 {
		d.usage.Busy += now - d.anySince
	}
	d.onAir = rest
	if before > 0 && d.sensed == 0 {
		d.resume(now)
	}
	return events
}

// endBackground looks for the next frame of background sender i.
func (d *dcf) endBackground(i int, now time.Duration) {
	s, src := &d.senders[i], &d.sources[i-d.stations]
	d.usage.Others += s.air
	s.ready = src.sent(now)
	switch {
	case !s.ready:
		d.wake[i] = src.next
	case s.blind:
		d.wake[i] = now
	}
}

// bookEnd books the broadcast that station i has sent.
func (d *dcf) bookEnd(i int) {
	s := &d.senders[i]
	d.usage.Own[i] += s.air
	d.usage.Sent[i]++
	if s.collided {
		d.usage.Collided[i]++
	}
	d.usage.Occupied[i] += s.air + d.access.Extension
	if !s.blind {
		d.usage.Occupied[i] += d.access.DIFS + time.Duration(s.backoff)*d.access.Slot
	}
}

// resume lets the counters go on: the medium has become idle at now.
func (d *dcf) resume(now time.Duration) {
	d.idleSince = now + d.access.Extension
	for i := range d.senders {
		s := &d.senders[i]
		if s.blind {
			continue
		}
		s.ifs = d.access.DIFS
		if d.profile.extended && d.spoilt && s.period != d.period {
			s.ifs = d.access.EIFS
		}
		if s.ready {
			d.wake[i] = d.due(s)
		}
	}
}

func (d *dcf) Usage(now time.Duration) Usage {
	u := d.usage.clone()
	for i := range d.sources {
		if d.senders[d.stations+i].ready && !d.sources[i].blind {
			d.sources[i].absorb(now)
		}
		u.Offered += d.sources[i].offered
	}
	for _, i := range d.onAir {
		u.underWay(i, now-d.senders[i].begin)
	}
	if len(d.onAir) > 0 {
		u.Busy += now - d.anySince
	}
	return u
}
