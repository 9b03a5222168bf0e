package radio

import (
	"fmt"
	"time"
)

// medium is what the media have in common: who is on the air, what overlaps, the
// traffic of background senders and the sums. It goes from instant to instant;
// each costs a look at every sender.
type medium struct {
	stations int
	capture  float64
	senders  []emitter       // stations, then background senders
	wake     []time.Duration // by sender: the next instant at which it does something, never while it waits for a request
	sources  []source        // of the background senders
	onAir    []int           // senders, ascending
	next     time.Duration
	spoilt   bool          // a sensed energy was lost since this was last reset
	anySince time.Duration // when the medium last went from no energy to some
	usage    Usage
}

// everyChannel is the channel of an energy that hits the packets of all.
const everyChannel = -1

// emitter is one station or background sender.
type emitter struct {
	begin, air time.Duration // of the energy on the air; air also of the frame that waits
	power      float64
	channel    int
	open       bool // a station: a request is open; a background sender: a frame waits or is on the air
	sending    bool
	collided   bool
	hidden     bool // is not sensed by the others
}

// newMedium returns the medium of c, everybody silent. It panics when c.Check
// finds a mistake.
func newMedium(c ChannelConfig, capture float64) medium {
	if err := c.Check(); err != nil {
		panic("radio: " + err.Error())
	}
	total := c.Stations + len(c.Background)
	m := medium{
		stations: c.Stations, capture: capture, usage: newUsage(c.Stations), next: never,
		senders: make([]emitter, total), wake: make([]time.Duration, total), onAir: make([]int, 0, total),
	}
	for i := range m.senders {
		m.wake[i] = never
		if i < c.Stations {
			if c.Power != nil {
				m.senders[i].power = c.Power[i]
			}
			continue
		}
		b := c.Background[i-c.Stations]
		m.senders[i].air, m.senders[i].power, m.senders[i].channel, m.senders[i].hidden = b.Frame, b.Power, everyChannel, b.Hidden
		m.sources = append(m.sources, newSource(b, c.stream("background arrivals", i-c.Stations)))
		m.wake[i] = m.sources[i-c.Stations].next
	}
	m.schedule()
	return m
}

// Next is that of Channel.
func (m *medium) Next() (time.Duration, bool) { return m.next, m.next != never }

// schedule finds the next instant.
func (m *medium) schedule() {
	next := never
	for _, at := range m.wake {
		next = min(next, at)
	}
	m.next = next
}

// ask opens the request of a station for a frame of a given airtime.
func (m *medium) ask(now time.Duration, station int, air time.Duration) {
	if station < 0 || station >= m.stations || m.senders[station].open {
		panic(fmt.Sprintf("radio: station %d is unknown or asks while its broadcast is under way", station))
	}
	if now > m.next {
		panic(fmt.Sprintf("radio: request at %v, after the next instant %v", now, m.next))
	}
	m.senders[station].open, m.senders[station].air = true, air
}

// wakeAt sets the next instant of a sender between two calls of Advance.
func (m *medium) wakeAt(i int, at time.Duration) {
	m.wake[i] = at
	m.next = min(m.next, at)
}

// turn panics unless now is the next instant.
func (m *medium) turn(now time.Duration) {
	if now != m.next || now == never {
		panic(fmt.Sprintf("radio: advance to %v, next instant is %v", now, m.next))
	}
}

// start puts the frame of sender i on the air. Ends of the same instant must
// have been performed. Any two energies that overlap on a channel collide,
// unless capture is chosen and one is stronger by at least that much.
func (m *medium) start(i int, now time.Duration) {
	a := &m.senders[i]
	a.begin, a.sending, a.collided = now, true, false
	m.wake[i] = now + a.air
	if len(m.onAir) == 0 {
		m.anySince = now
	}
	for _, j := range m.onAir {
		b := &m.senders[j]
		if a.channel != b.channel && a.channel != everyChannel && b.channel != everyChannel {
			continue
		}
		// Each pair is judged by itself, whichever began first.
		lostA := m.capture == 0 || a.power-b.power < m.capture
		lostB := m.capture == 0 || b.power-a.power < m.capture
		a.collided = a.collided || lostA
		b.collided = b.collided || lostB
		m.spoilt = m.spoilt || lostA && !a.hidden || lostB && !b.hidden
	}
	m.onAir = append(m.onAir, i)
	for k := len(m.onAir) - 1; k > 0 && m.onAir[k-1] > i; k-- {
		m.onAir[k], m.onAir[k-1] = m.onAir[k-1], i
	}
}

// stop takes the frame of sender i off the air and books its energy.
func (m *medium) stop(i int, now time.Duration) {
	s := &m.senders[i]
	s.sending = false
	m.wake[i] = never
	rest := m.onAir[:0]
	for _, j := range m.onAir {
		if j != i {
			rest = append(rest, j)
		}
	}
	if m.onAir = rest; len(rest) == 0 {
		m.usage.Busy += now - m.anySince
	}
	if i >= m.stations {
		m.usage.Others += s.air
		return
	}
	m.usage.Own[i] += s.air
	m.usage.Occupied[i] += s.air
}

// leave closes the request of station i after its broadcast and counts it.
func (m *medium) leave(i int, collided bool) {
	m.senders[i].open = false
	m.usage.Sent[i]++
	if collided {
		m.usage.Collided[i]++
	}
}

// arrive fetches the traffic that has come to background sender i while it had
// nothing to send.
func (m *medium) arrive(i int, now time.Duration) {
	m.sources[i-m.stations].absorb(now)
	m.senders[i].open = true
}

// drop looks for the next frame of background sender i, whose present one is
// over, and says whether there is one. If not the sender waits for traffic.
func (m *medium) drop(i int, now time.Duration) bool {
	src := &m.sources[i-m.stations]
	m.senders[i].open = src.sent(now)
	if !m.senders[i].open {
		m.wake[i] = src.next
	}
	return m.senders[i].open
}

// switchedOff ends the work of background sender i if its activity is over, and
// says whether it is.
func (m *medium) switchedOff(i int, now time.Duration) bool {
	src := &m.sources[i-m.stations]
	if now < src.until {
		return false
	}
	src.queued, m.senders[i].open, m.wake[i] = 0, false, never
	return true
}

// Usage is that of Channel.
func (m *medium) Usage(now time.Duration) Usage {
	u := m.usage.clone()
	for i := range m.sources {
		if m.senders[m.stations+i].open && !m.sources[i].blind {
			m.sources[i].absorb(now)
		}
		u.Offered += m.sources[i].offered
	}
	for _, i := range m.onAir {
		u.underWay(i, now-m.senders[i].begin)
	}
	if len(m.onAir) > 0 {
		u.Busy += now - m.anySince
	}
	return u
}
