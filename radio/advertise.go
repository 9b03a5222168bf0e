package radio

import (
	"math/rand/v2"
	"time"
)

// advertise is the medium of advertising events; Advertising.Channel states its
// rules.
type advertise struct {
	medium
	profile *Advertising
	events  []advertiser // by station
	packets int          // in one event
}

// advertiser is the advertising state of one station.
type advertiser struct {
	next      time.Duration // begin of the next event
	begun     time.Duration // of the event under way
	primary   time.Duration // length of a packet on the primary channels
	auxiliary time.Duration
	energy    time.Duration // of the event so far
	packet    int           // that is on the air or comes next
	auxOn     int           // channel of the event's auxiliary packet
	opened    bool          // Opened has been told, the answer is awaited
	underway  bool
	reached   bool // one of the primary packets did not collide
	rng       *rand.Rand
}

// Channel returns a medium of advertising events (Bluetooth Core 5.0, Volume 6
// Part B 4.4.2).
//
// The events of a station follow each other by advInterval and a delay uniform
// on 0..10 ms, from a random instant on, whether it has something to send or
// not: the set is enabled for all of the time. An event takes the open request
// of the station; without one Opened is told, and a Request at that very instant
// still goes out in it. An event that gets nothing is silent. So a station that
// asks once and never again sends once: whoever wants the last content repeated,
// as controllers do, asks again with it at Opened.
//
// The packets of an event go out on the channels 37, 38 and 39 in turn; an
// auxiliary packet follows at least 300 us after the last of them, on a channel
// drawn from 0 to 36. Each is told as PacketBegan and PacketEnded. Packets
// collide when their energies overlap on the same channel, unless
// Settings.Capture saves the stronger; background senders hit every channel.
func (p *Advertising) Channel(c ChannelConfig) Channel {
	m := &advertise{medium: newMedium(c, p.capture), profile: p, events: make([]advertiser, c.Stations), packets: blePrimary}
	if p.extended {
		m.packets++
	}
	for i := range m.events {
		a := &m.events[i]
		a.rng = c.stream("advertising", i)
		a.next = a.first(p.interval)
		m.wake[i] = a.next
	}
	m.schedule()
	return m
}

// delay draws advDelay.
func (a *advertiser) delay() time.Duration {
	return time.Duration(a.rng.Int64N(int64(bleMaxDelay) + 1))
}

// first draws the first event by the stationary law of the renewals: the density
// of x is proportional to the chance that interval and delay exceed x.
func (a *advertiser) first(interval time.Duration) time.Duration {
	for {
		x := time.Duration(a.rng.Int64N(int64(interval + bleMaxDelay)))
		if x < interval+a.delay() {
			return x
		}
	}
}

func (m *advertise) Request(now time.Duration, station, n int) {
	checkPayload(m.profile, n)
	m.ask(now, station, 0)
	a := &m.events[station]
	a.primary, a.auxiliary = m.profile.primaryTime(n), m.profile.auxiliaryTime(n)
}

func (m *advertise) Advance(now time.Duration, events []Event) []Event {
	m.turn(now)
	for k := 0; k < len(m.onAir); {
		i := m.onAir[k]
		if m.wake[i] != now {
			k++
		} else if i < m.stations {
			events = m.endPacket(i, now, events)
		} else if m.stop(i, now); m.drop(i, now) {
			m.wake[i] = now
		}
	}
	for i, at := range m.wake {
		if at != now || m.senders[i].sending {
			continue
		}
		switch {
		case i >= m.stations:
			if !m.senders[i].open {
				m.arrive(i, now)
			}
			m.start(i, now)
		case m.events[i].underway:
			events = m.beginPacket(i, now, events)
		case m.events[i].next == now:
			events = m.event(i, now, events)
		}
	}
	m.schedule()
	return events
}

// event deals with a station whose event is due.
func (m *advertise) event(i int, now time.Duration, events []Event) []Event {
	a := &m.events[i]
	switch {
	case m.senders[i].open:
		a.opened, a.underway, a.reached = false, true, false
		a.packet, a.energy, a.begun = 0, 0, now
		m.plan(a, now)
		until := now + blePrimary*a.primary + (blePrimary-1)*m.profile.spacing
		if m.profile.extended {
			until += bleAuxSpace + a.auxiliary
		}
		events = append(events, Event{At: now, Kind: Began, Station: i, Until: until})
		return m.beginPacket(i, now, events)
	case !a.opened:
		a.opened = true
		return append(events, Event{At: now, Kind: Opened, Station: i})
	}
	a.opened = false
	m.plan(a, now)
	m.wake[i] = a.next
	return events
}

// plan draws the instant of the event after the one at now, and the channel of
// the auxiliary packet of the one at now. Silent events draw it too, so that the
// events of a station come at the same instants whatever it sends.
func (m *advertise) plan(a *advertiser, now time.Duration) {
	a.next = now + m.profile.interval + a.delay()
	if m.profile.extended {
		a.auxOn = a.rng.IntN(bleFirst)
	}
}

// pointer says whether the packet under way or next of a station points to an
// auxiliary one.
func (m *advertise) pointer(a *advertiser) bool { return m.profile.extended && a.packet < blePrimary }

// beginPacket sends the next packet of an event.
func (m *advertise) beginPacket(i int, now time.Duration, events []Event) []Event {
	s, a := &m.senders[i], &m.events[i]
	if a.packet < blePrimary {
		s.channel, s.air = bleFirst+a.packet, a.primary
	} else {
		s.channel, s.air = a.auxOn, a.auxiliary
	}
	m.start(i, now)
	return append(events, Event{At: now, Kind: PacketBegan, Station: i, Until: m.wake[i], Channel: s.channel, Pointer: m.pointer(a)})
}

// endPacket ends a packet and, behind the last one, the event.
func (m *advertise) endPacket(i int, now time.Duration, events []Event) []Event {
	s, a := &m.senders[i], &m.events[i]
	m.stop(i, now)
	a.energy += s.air
	if a.packet < blePrimary {
		a.reached = a.reached || !s.collided
	}
	s.collided = s.collided || !a.reached
	events = append(events, Event{At: now, Kind: PacketEnded, Station: i, Collided: s.collided, Channel: s.channel, Pointer: m.pointer(a)})
	if a.packet++; a.packet < m.packets {
		m.wake[i] = now + m.profile.spacing
		if a.packet == blePrimary {
			m.wake[i] = now + bleAuxSpace
		}
		return events
	}
	lost := !a.reached || m.profile.extended && s.collided
	a.underway, m.wake[i] = false, a.next
	m.usage.Occupied[i] += a.next - a.begun - a.energy
	m.leave(i, lost)
	return append(events, Event{At: now, Kind: Ended, Station: i, Collided: lost})
}
