package radio

import (
	"math/rand/v2"
	"time"
)

// csma is the medium of 802.15.4; LowRate.Channel states its rules.
type csma struct {
	medium
	profile *LowRate
	access  []attempt     // by sender
	sensed  int           // energies on the air that an assessment finds
	lastEnd time.Duration // when the last of them ended
}

// phase is what a sender of csma does until its next instant.
type phase uint8

const (
	assessing phase = iota // waits for the end of the backoff and the assessment behind it
	turning                // turns round to send
	blindWait              // sends whatever is on the air
)

// attempt is the access of one sender.
type attempt struct {
	phase    phase
	busy     int           // assessments that found the medium busy
	exponent int           // BE
	began    time.Duration // when the access began
	free     time.Duration // end of the interframe space
	spacing  time.Duration // behind the frame
	rng      *rand.Rand
	blind    bool
}

// Channel returns the medium of IEEE 802.15.4-2015 with unslotted CSMA-CA
// (6.2.5.1), nobody acknowledging.
//
// A broadcast waits for the interframe space behind the station's last one, then
// for a backoff uniform on 0..2^BE-1 units of 320 us, always, BE starting at
// macMinBE. Then the medium is assessed for 128 us: it counts as busy when any
// energy is on the air within that time. When it was idle the station turns
// round for 192 us and sends, without looking again: others that begin
// meanwhile collide with it. When it was busy BE grows by 1 up to macMaxBE and
// the next backoff begins; the busy assessment numbered macMaxCSMABackoffs + 1
// ends it with AccessFailed. A counter goes on while others send, unlike that
// of IEEE 802.11.
//
// Background senders that defer follow the same rules and drop a frame whose
// access fails. Hidden ones are not found by an assessment. Any two
// transmissions whose energies overlap collide, unless Settings.Capture saves
// the stronger.
func (p *LowRate) Channel(c ChannelConfig) Channel {
	m := &csma{medium: newMedium(c, p.capture), profile: p, lastEnd: -time.Hour}
	m.access = make([]attempt, len(m.senders))
	for i := range m.access {
		a := &m.access[i]
		if i < c.Stations {
			a.rng = c.stream("backoff", i)
			continue
		}
		b := c.Background[i-c.Stations]
		a.blind = b.Hidden || b.Deaf
		a.rng = c.stream("background backoff", i-c.Stations)
		if a.spacing = lowRateLIFS; b.Frame <= (lowRateHeader+lowRateShort)*2*lowRateSymbol {
			a.spacing = lowRateSIFS
		}
	}
	return m
}

func (m *csma) Request(now time.Duration, station, n int) {
	m.ask(now, station, m.profile.Airtime(n))
	m.access[station].spacing = m.profile.Spacing(n)
	m.contend(station, now)
	m.next = min(m.next, m.wake[station])
}

// contend begins the access of a frame that has become ready.
func (m *csma) contend(i int, now time.Duration) {
	a := &m.access[i]
	if a.blind {
		a.phase, m.wake[i] = blindWait, now
		return
	}
	a.busy, a.exponent, a.began = 0, m.profile.exponent, max(now, a.free)
	m.backOff(i, a.began)
}

// backOff draws a backoff from now on; the next instant is the end of the
// assessment behind it.
func (m *csma) backOff(i int, now time.Duration) {
	a := &m.access[i]
	a.phase = assessing
	m.wake[i] = now + time.Duration(a.rng.IntN(1<<a.exponent))*lowRateBackoff + lowRateCCA
}

func (m *csma) Advance(now time.Duration, events []Event) []Event {
	m.turn(now)
	for k := 0; k < len(m.onAir); {
		if i := m.onAir[k]; m.wake[i] == now {
			events = m.end(i, now, events)
		} else {
			k++
		}
	}
	// What begins at this instant lies behind the assessments that end at it.
	for i, at := range m.wake {
		if at == now && !m.senders[i].sending && m.senders[i].open && m.access[i].phase == assessing {
			events = m.assess(i, now, events)
		}
	}
	for i, at := range m.wake {
		if at == now && !m.senders[i].sending {
			events = m.begin(i, now, events)
		}
	}
	m.schedule()
	return events
}

// end ends the frame of sender i.
func (m *csma) end(i int, now time.Duration, events []Event) []Event {
	m.stop(i, now)
	a := &m.access[i]
	if !m.senders[i].hidden {
		m.sensed--
		m.lastEnd = now
	}
	a.free = now + a.spacing
	if i >= m.stations {
		m.nextFrame(i, now)
		return events
	}
	m.leave(i, m.senders[i].collided)
	m.usage.Occupied[i] += now - m.senders[i].air - a.began + a.spacing
	return append(events, Event{At: now, Kind: Ended, Station: i, Collided: m.senders[i].collided})
}

// nextFrame goes on with background sender i after a frame.
func (m *csma) nextFrame(i int, now time.Duration) {
	if m.drop(i, now) {
		m.contend(i, now)
	}
}

// assess looks at the medium over the assessment of sender i, which ends now.
func (m *csma) assess(i int, now time.Duration, events []Event) []Event {
	a := &m.access[i]
	if m.sensed == 0 && m.lastEnd <= now-lowRateCCA {
		a.phase, m.wake[i] = turning, now+lowRateTurn
		return events
	}
	if a.busy++; a.busy < m.profile.assessments {
		a.exponent = min(a.exponent+1, m.profile.maxExponent)
		m.backOff(i, now)
		return events
	}
	m.wake[i] = never
	if i >= m.stations {
		m.nextFrame(i, now)
		return events
	}
	m.senders[i].open = false
	m.usage.Occupied[i] += now - a.began
	return append(events, Event{At: now, Kind: AccessFailed, Station: i})
}

// begin does what sender i has waited for, other than an assessment.
func (m *csma) begin(i int, now time.Duration, events []Event) []Event {
	if i >= m.stations {
		if !m.senders[i].open {
			m.arrive(i, now)
			if m.contend(i, now); m.wake[i] != now {
				return events
			}
		}
		if m.switchedOff(i, now) {
			return events
		}
	}
	if !m.senders[i].hidden {
		m.sensed++
	}
	m.start(i, now)
	if i >= m.stations {
		return events
	}
	return append(events, Event{At: now, Kind: Began, Station: i, Until: m.wake[i]})
}
