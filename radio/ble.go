package radio

import (
	"fmt"
	"time"
)

// Advertising sends advertising events of Bluetooth Low Energy (Core
// specification 5.0, Volume 6 Part B), legacy or extended. Nobody listens
// before sending; events of a station are an interval and a random delay of 0
// to 10 ms apart (4.4.2.2).
//
// Legacy (2.3.1): one packet with a 6-byte address and up to 31 bytes, at
// 1 Mbit/s, on each of the channels 37, 38 and 39.
//
// Extended (2.3.4): a packet on each of the three channels that only points to
// the auxiliary packet, then that one with flags, address, set identifier and
// up to 245 bytes, on one of the channels 0 to 36, drawn anew for each event.
// Longer data in a chain of packets is left out.
//
// The payload is the advertising data as it is. Receivers that follow the
// Generic Access Profile (Volume 3 Part C 11) want it in data structures; the
// manufacturer-specific one costs 4 bytes: length 1, type 1, company 2.
type Advertising struct {
	extended          bool
	rate, primary     int // bit/s: of the packet with the payload, of those on the primary channels
	structure         int // bytes of the data structure
	interval, spacing time.Duration
	capture           float64
}

// Sizes and times of Bluetooth Core 5.0, Volume 6 Part B.
const (
	bleAddress     = 6
	blePointer     = 7                     // extended header with set identifier and pointer
	bleAuxiliary   = 1 + 1 + 6 + 2         // header length, flags, address, set identifier
	bleLegacyLimit = 31                    // bytes of advertising data
	bleLimit       = 255                   // bytes behind the 2-byte header of a packet
	bleMaxDelay    = 10 * time.Millisecond // advDelay
	blePitch       = 10 * time.Millisecond // from packet to packet of an event, begins, at most (4.4.2.2)
	bleStep        = 625 * time.Microsecond
	bleLongest     = 10240 * time.Millisecond
	bleSpacing     = 150 * time.Microsecond // T_IFS
	bleAuxSpace    = 300 * time.Microsecond // T_MAFS
	blePrimary     = 3                      // primary channels
	bleFirst       = 37                     // of them
	bleStructure   = 4
)

// newLegacy returns the profile and notes mistakes.
func newLegacy(s Settings, m *mistakes) *Advertising {
	p := &Advertising{rate: 1_000_000, primary: 1_000_000}
	p.settle(s, nameLegacy, m)
	return p
}

// newExtended returns the profile and notes mistakes.
func newExtended(s Settings, m *mistakes) *Advertising {
	p := &Advertising{extended: true}
	p.rate = m.oneRate("rate", s.Rate, 1_000_000, 2_000_000, 500_000, 125_000)
	p.primary = 1_000_000
	if p.rate < 1_000_000 {
		p.primary = 125_000
	}
	if s.PrimaryRate != 0 {
		p.primary = m.oneRate("primary_rate", s.PrimaryRate, 1_000_000, 125_000)
	}
	p.settle(s, nameExtended, m)
	return p
}

// settle fills in what both kinds have.
func (p *Advertising) settle(s Settings, name string, m *mistakes) {
	if m.oneOf("format", s.Format, "raw", "manufacturer-specific") == "manufacturer-specific" {
		p.structure = bleStructure
	}
	p.spacing, p.interval, p.capture = bleSpacing, 100*time.Millisecond, s.Capture
	if s.Spacing != 0 && m.between("spacing", s.Spacing, time.Microsecond, blePitch) {
		p.spacing = s.Spacing
	}
	if pitch := p.primaryTime(p.MaxPayload()) + p.spacing; pitch > blePitch {
		m.add("spacing", p.spacing, fmt.Sprintf("at most %v: the packets of an event begin at most %v apart", blePitch-(pitch-p.spacing), blePitch))
	}
	if s.Interval != 0 {
		p.interval = s.Interval
		m.steps("interval", s.Interval, 32*bleStep, bleLongest)
	}
	if span := p.Span(p.MaxPayload()); p.interval > 0 && span > p.interval {
		m.add("interval", p.interval, fmt.Sprintf("at least the %v that the longest event takes", span))
	}
	m.level(s.Capture)
	m.only(s, name)
}

// steps notes a time that is no multiple of 625 us within low..high.
func (m *mistakes) steps(key string, d, low, high time.Duration) {
	if m.between(key, d, low, high) && d%bleStep != 0 {
		m.add(key, d, "a multiple of 625µs")
	}
}

// Name returns "ble-legacy" or "ble-extended".
func (p *Advertising) Name() string {
	if p.extended {
		return nameExtended
	}
	return nameLegacy
}

// MaxPayload returns 31 or 245, or 4 less for the manufacturer-specific format.
func (p *Advertising) MaxPayload() int {
	if p.extended {
		return bleLimit - bleAuxiliary - p.structure
	}
	return bleLegacyLimit - p.structure
}

// Interval returns advInterval: events are this and 0 to 10 ms apart.
func (p *Advertising) Interval() time.Duration { return p.interval }

// packetTime is the time of a packet with so many bytes behind its 2-byte
// header. 1M: 8 us for each byte of preamble 1, access address 4, header 2,
// payload and check sequence 3; 2M: 4 us, preamble 2. Coded (2.2): preamble 80
// us, access address, coding indicator and terminator 256 + 16 + 24 us, then
// every bit of header, payload, check sequence and the 3 bits of the second
// terminator as S = 8 (125 kbit/s) or 2 (500 kbit/s) symbols of 1 us.
func packetTime(rate, payload int) time.Duration {
	us := 0
	switch rate {
	case 2_000_000:
		us = 44 + 4*payload
	case 500_000, 125_000:
		us = 80 + 256 + 16 + 24 + 1_000_000/rate*(8*(2+payload)+24+3)
	default:
		us = 80 + 8*payload
	}
	return time.Duration(us) * time.Microsecond
}

// primaryTime is the time of each packet on the primary channels.
func (p *Advertising) primaryTime(n int) time.Duration {
	if p.extended {
		return packetTime(p.primary, blePointer)
	}
	return packetTime(p.primary, bleAddress+p.structure+n)
}

// auxiliaryTime is the time of the auxiliary packet, 0 without.
func (p *Advertising) auxiliaryTime(n int) time.Duration {
	if !p.extended {
		return 0
	}
	return packetTime(p.rate, bleAuxiliary+p.structure+n)
}

// Airtime returns the energy of one event: its packets without the silence
// between them.
func (p *Advertising) Airtime(n int) time.Duration {
	checkPayload(p, n)
	return blePrimary*p.primaryTime(n) + p.auxiliaryTime(n)
}

// Span returns the time from the begin of an event's first packet to the end of
// its last.
func (p *Advertising) Span(n int) time.Duration {
	silence := (blePrimary - 1) * p.spacing
	if p.extended {
		silence += bleAuxSpace
	}
	return p.Airtime(n) + silence
}

// Signal describes the packet that holds the payload: the time of its preamble,
// and its bits. The access address counts as bits; of coded packets it belongs
// to the preamble, and the bit errors are those behind the decoder.
func (p *Advertising) Signal() (time.Duration, float64) { return packetSignal(p.rate) }

// packetSignal is Signal for a packet of a given rate.
func packetSignal(rate int) (time.Duration, float64) {
	if rate < 1_000_000 {
		return (80 + 256 + 16 + 24) * time.Microsecond, float64(rate)
	}
	return 8 * time.Microsecond, float64(rate)
}

func (p *Advertising) occupancy(int) time.Duration { return p.interval + bleMaxDelay/2 }
