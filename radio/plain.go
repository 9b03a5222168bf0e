package radio

import (
	"fmt"
	"math"
	"time"
)

// plain sends without listening: what a transmitter does that has no carrier
// sense. Broadcasts that overlap are lost (ALOHA, Abramson 1970).
//
// With a duty limit d a broadcast of length T is followed by silence so long
// that the next one begins T/d after this one began. That holds the limit over
// every span of time; rules that count over an hour allow more at once.
type plain struct {
	medium
	profile Profile
	startup time.Duration // from the request to the first energy
	duty    float64       // 1 = no limit
	drop    bool          // a broadcast that must not leave yet is dropped
	free    []time.Duration
	refused []bool
}

// duty is what Settings say about a duty limit.
type duty struct {
	share float64
	drop  bool
}

// newDuty returns the limit of s, or preset, and notes mistakes.
func newDuty(s Settings, preset float64, m *mistakes) duty {
	d := duty{share: preset, drop: m.oneOf("duty_rule", s.DutyRule, "wait", "drop") == "drop"}
	if s.Duty != 0 {
		if d.share = s.Duty; !(d.share >= 1e-6 && d.share <= 1) {
			m.add("duty", s.Duty, "a share from 0.000001 to 1")
		}
	}
	return d
}

// cycle is the time that a broadcast of a given airtime takes at least, from
// its first energy to that of the next one.
func (d duty) cycle(air time.Duration) time.Duration {
	if d.share == 1 {
		return air
	}
	return time.Duration(math.Ceil(float64(air) / d.share))
}

// newPlain returns the medium of p.
func newPlain(p Profile, startup time.Duration, d duty, capture float64, c ChannelConfig) *plain {
	m := &plain{
		medium: newMedium(c, capture), profile: p, startup: startup, duty: d.share, drop: d.drop,
		free: make([]time.Duration, c.Stations), refused: make([]bool, c.Stations),
	}
	return m
}

func (p *plain) Request(now time.Duration, station, n int) {
	p.ask(now, station, p.profile.Airtime(n))
	at := now + p.startup
	if at < p.free[station] {
		if p.refused[station] = p.drop; p.drop {
			at = now
		} else {
			at = p.free[station]
		}
	}
	p.wakeAt(station, at)
}

func (p *plain) Advance(now time.Duration, events []Event) []Event {
	p.turn(now)
	for k := 0; k < len(p.onAir); {
		if i := p.onAir[k]; p.wake[i] == now {
			events = p.end(i, now, events)
		} else {
			k++
		}
	}
	for i, at := range p.wake {
		if at == now && !p.senders[i].sending {
			events = p.begin(i, now, events)
		}
	}
	p.schedule()
	return events
}

// Usage is that of Channel. Of a silence under way counts what has passed.
func (p *plain) Usage(now time.Duration) Usage {
	u := p.medium.Usage(now)
	for i, free := range p.free {
		if now < free && !p.senders[i].sending {
			u.Occupied[i] -= free - now
		}
	}
	return u
}

// end ends the frame of sender i.
func (p *plain) end(i int, now time.Duration, events []Event) []Event {
	p.stop(i, now)
	if i >= p.stations {
		if p.medium.drop(i, now) {
			p.wake[i] = now
		}
		return events
	}
	s := &p.senders[i]
	p.leave(i, s.collided)
	p.free[i] = s.begin + duty{share: p.duty}.cycle(s.air)
	p.usage.Occupied[i] += max(p.startup, p.free[i]-now)
	free := time.Duration(0)
	if p.duty < 1 && !p.drop {
		free = p.free[i]
	}
	return append(events, Event{At: now, Kind: Ended, Station: i, Collided: s.collided, Free: free})
}

// begin does what sender i has waited for.
func (p *plain) begin(i int, now time.Duration, events []Event) []Event {
	s := &p.senders[i]
	if i >= p.stations {
		if !s.open {
			p.arrive(i, now)
		}
		p.start(i, now)
		return events
	}
	if p.refused[i] {
		p.refused[i], s.open, p.wake[i] = false, false, never
		return append(events, Event{At: now, Kind: AccessFailed, Station: i})
	}
	p.start(i, now)
	return append(events, Event{At: now, Kind: Began, Station: i, Until: p.wake[i]})
}

// bitsTime is the time of so many bits. Rates at which a bit is no whole number
// of nanoseconds are a mistake of the programmer.
func bitsTime(bits, perSecond int) time.Duration {
	if int(time.Second)%perSecond != 0 {
		panic(fmt.Sprintf("radio: a bit at %d bit/s is no whole number of nanoseconds", perSecond))
	}
	return time.Duration(bits) * (time.Second / time.Duration(perSecond))
}
