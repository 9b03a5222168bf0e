package radio

import (
	"math/rand/v2"
	"time"
)

// dcf is the medium of group-addressed frames; ActionFrame.Channel states its
// rules. contend holds the rule of access, freeze and resume that of the
// counters. The counters are worked out from the instants at which the medium
// went busy and idle, never slot by slot.
type dcf struct {
	medium
	profile    *ActionFrame
	access     Access
	contenders []contender // by sender
	starts     []int       // scratch: those that begin now

	sensed    int           // energies on the air that are sensed
	idleSince time.Duration // end of the last sensed energy and its extension
	busySince time.Duration // when the last sensed energy came on the idle medium
	period    uint64        // number of the busy period
}

// none is the backoff of a sender that has none pending.
const none = -1

// contender is the access of one sender.
type contender struct {
	ifs     time.Duration // DIFS or EIFS in force since idleSince
	backoff int           // slots left, or none
	window  int
	period  uint64 // busy period in which it last sent
	rng     *rand.Rand
	blind   bool // does not sense the medium
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
	d := &dcf{medium: newMedium(c, p.capture), profile: p, access: p.access, idleSince: -time.Hour, busySince: -time.Hour}
	d.contenders = make([]contender, len(d.senders))
	d.starts = make([]int, 0, len(d.senders))
	for i := range d.contenders {
		s := &d.contenders[i]
		s.backoff, s.ifs, s.window = none, p.access.DIFS, p.access.Window
		if i < c.Stations {
			s.blind, s.rng = p.blind, c.stream("backoff", i)
			continue
		}
		b := c.Background[i-c.Stations]
		s.blind = b.Hidden || b.Deaf
		s.rng = c.stream("background backoff", i-c.Stations)
		if b.Window != 0 {
			s.window = b.Window
		}
	}
	return d
}

func (d *dcf) Request(now time.Duration, station, n int) {
	d.ask(now, station, d.profile.Airtime(n))
	d.contend(station, now)
	d.next = min(d.next, d.wake[station])
}

func (d *dcf) Advance(now time.Duration, events []Event) []Event {
	d.turn(now)
	before := d.sensed
	for k := 0; k < len(d.onAir); {
		if i := d.onAir[k]; d.wake[i] == now {
			events = d.end(i, now, events)
		} else {
			k++
		}
	}
	if before > 0 && d.sensed == 0 {
		d.resume(now)
	}
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

// contend starts the access of a frame that has become ready at now.
func (d *dcf) contend(i int, now time.Duration) {
	s := &d.contenders[i]
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
func (d *dcf) due(s *contender) time.Duration {
	return d.idleSince + s.ifs + time.Duration(s.backoff)*d.access.Slot
}

// begins deals with sender i, whose instant has come, and says whether it
// begins to send.
func (d *dcf) begins(i int, now time.Duration) bool {
	if i < d.stations {
		return true
	}
	if !d.senders[i].open { // a burst has arrived at a sender without work
		d.arrive(i, now)
		d.contend(i, now)
		return d.wake[i] == now
	}
	return !d.switchedOff(i, now)
}

// beginAll puts the frames of d.starts on the air.
func (d *dcf) beginAll(now time.Duration, events []Event) []Event {
	wasIdle := d.sensed == 0
	if wasIdle {
		d.period++
		d.spoilt = false
	}
	for _, i := range d.starts {
		s := &d.contenders[i]
		s.backoff, s.period = none, d.period
		if !d.senders[i].hidden {
			d.sensed++
		}
		d.start(i, now)
		if i < d.stations {
			events = append(events, Event{At: now, Kind: Began, Station: i, Until: d.wake[i]})
		}
	}
	if wasIdle && d.sensed > 0 {
		d.busySince = now
		d.freeze(now)
	}
	return events
}

// freeze stops all counters: the medium has become busy at now.
func (d *dcf) freeze(now time.Duration) {
	for i := range d.contenders {
		s := &d.contenders[i]
		if s.backoff == none || s.blind { // whoever has just begun has none either
			continue
		}
		if i < d.stations || d.senders[i].open {
			d.wake[i] = never
		}
		if passed := now - d.idleSince - s.ifs; passed > 0 {
			s.backoff -= int(min(passed/d.access.Slot, time.Duration(s.backoff)))
		}
		if s.backoff == 0 && !d.senders[i].open && now >= d.idleSince+s.ifs {
			s.backoff = none // the post-backoff had ended
		}
	}
}

// end takes the frame of sender i off the air.
func (d *dcf) end(i int, now time.Duration, events []Event) []Event {
	d.stop(i, now)
	s, e := &d.contenders[i], &d.senders[i]
	if !e.hidden {
		d.sensed--
	}
	if !s.blind {
		s.backoff = s.rng.IntN(s.window + 1)
	}
	if i >= d.stations {
		if d.drop(i, now) && s.blind {
			d.wake[i] = now
		}
		return events
	}
	d.leave(i, e.collided)
	d.usage.Occupied[i] += d.access.Extension
	if !s.blind {
		d.usage.Occupied[i] += d.access.DIFS + time.Duration(s.backoff)*d.access.Slot
	}
	return append(events, Event{At: now, Kind: Ended, Station: i, Collided: e.collided})
}

// resume lets the counters go on: the medium has become idle at now.
func (d *dcf) resume(now time.Duration) {
	d.idleSince = now + d.access.Extension
	for i := range d.contenders {
		s := &d.contenders[i]
		if s.blind {
			continue
		}
		s.ifs = d.access.DIFS
		if d.profile.extended && d.spoilt && s.period != d.period {
			s.ifs = d.access.EIFS
		}
		if d.senders[i].open {
			d.wake[i] = d.due(s)
		}
	}
}
