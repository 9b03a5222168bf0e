package radio

import (
	"fmt"
	"time"
)

// Ideal is a radio without a medium: a broadcast takes a given time, begins at
// once, never collides and overlaps others freely. Closed formulas of queues
// and ages hold on it.
type Ideal struct {
	airtime, perByte time.Duration
	payload          int
	like             Profile // whose airtimes these are, nil = those above
}

// IdealLike returns a radio without a medium on which a broadcast takes as long as
// on p, and of which p's payload limit holds.
func IdealLike(p Profile) *Ideal { return &Ideal{payload: p.MaxPayload(), like: p} }

// newIdeal returns the profile and notes mistakes.
func newIdeal(s Settings, m *mistakes) *Ideal {
	m.between("airtime", s.Airtime, 0, longestAirtime)
	m.between("per_byte", s.PerByte, 0, time.Second)
	if s.Payload < 0 || s.Payload > 65535 {
		m.add("payload", s.Payload, "1 to 65535 bytes")
	}
	m.only(s, nameIdeal)
	p := &Ideal{airtime: s.Airtime, perByte: s.PerByte, payload: s.Payload}
	if p.payload == 0 {
		p.payload = 250
	}
	return p
}

// Name returns "ideal".
func (p *Ideal) Name() string { return nameIdeal }

// MaxPayload returns the payload limit of the settings, in bytes.
func (p *Ideal) MaxPayload() int { return p.payload }

// Airtime returns the fixed time plus the time per byte, or what [IdealLike] says.
func (p *Ideal) Airtime(n int) time.Duration {
	checkPayload(p, n)
	if p.like != nil {
		return p.like.Airtime(n)
	}
	return p.airtime + time.Duration(n)*p.perByte
}

// Signal returns the fixed time as preamble and the rate of the bytes after it.
func (p *Ideal) Signal() (time.Duration, float64) {
	if p.like != nil {
		return p.like.Signal()
	}
	if p.perByte == 0 {
		return p.airtime, 0
	}
	return p.airtime, 8 / p.perByte.Seconds()
}

// Channel returns a medium on which nobody disturbs anybody. Background senders
// and powers mean nothing on it: they are left out, and Usage.Offered and
// Usage.Others stay 0 (see Info.Shared). It draws nothing, so c.Stream may be
// nil. It panics when c.Check finds a mistake.
func (p *Ideal) Channel(c ChannelConfig) Channel {
	if err := c.Check(); err != nil {
		panic("radio: " + err.Error())
	}
	ch := &idealChannel{profile: p, stations: make([]idealStation, c.Stations), next: never, usage: newUsage(c.Stations)}
	for i := range ch.stations {
		ch.stations[i].at = never
	}
	return ch
}

// checkPayload panics when n bytes do not fit into a broadcast of p.
func checkPayload(p Profile, n int) {
	if n < 0 || n > p.MaxPayload() {
		panic(fmt.Sprintf("radio: payload of %d bytes on profile %s, limit %d", n, p.Name(), p.MaxPayload()))
	}
}

// idealStation is a station's broadcast.
type idealStation struct {
	at    time.Duration // of its next event, never without a broadcast
	air   time.Duration
	onAir bool
}

// idealChannel is the medium of the ideal profile.
type idealChannel struct {
	profile   *Ideal
	stations  []idealStation
	next      time.Duration
	onAir     int
	busySince time.Duration
	usage     Usage
}

func (c *idealChannel) Request(now time.Duration, station, n int) {
	s := &c.stations[station]
	if s.at != never {
		panic(fmt.Sprintf("radio: station %d asks while its broadcast is under way", station))
	}
	if now > c.next {
		panic(fmt.Sprintf("radio: request at %v, after the next instant %v", now, c.next))
	}
	s.at, s.air = now, c.profile.Airtime(n)
	c.next = min(c.next, now)
}

func (c *idealChannel) Next() (time.Duration, bool) { return c.next, c.next != never }

func (c *idealChannel) Advance(now time.Duration, events []Event) []Event {
	if now != c.next {
		panic(fmt.Sprintf("radio: advance to %v, next instant is %v", now, c.next))
	}
	for i := range c.stations {
		if s := &c.stations[i]; s.onAir && s.at == now {
			s.onAir, s.at = false, never
			if c.onAir--; c.onAir == 0 {
				c.usage.Busy += now - c.busySince
			}
			c.usage.Own[i] += s.air
			c.usage.Occupied[i] += s.air
			c.usage.Sent[i]++
			events = append(events, Event{At: now, Kind: Ended, Station: i})
		}
	}
	c.next = never
	for i := range c.stations {
		s := &c.stations[i]
		if !s.onAir && s.at == now {
			s.onAir, s.at = true, now+s.air
			if c.onAir++; c.onAir == 1 {
				c.busySince = now
			}
			events = append(events, Event{At: now, Kind: Began, Station: i, Until: s.at})
		}
		c.next = min(c.next, s.at)
	}
	return events
}

func (c *idealChannel) Usage(now time.Duration) Usage {
	u := c.usage.clone()
	for i, s := range c.stations {
		if s.onAir {
			sofar := now - (s.at - s.air)
			u.Own[i] += sofar
			u.Occupied[i] += sofar
		}
	}
	if c.onAir > 0 {
		u.Busy += now - c.busySince
	}
	return u
}
