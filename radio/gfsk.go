package radio

import "time"

// GFSK sends packets of a generic 2.4 GHz transceiver: preamble 1 byte, address
// 3 to 5, a control field of 9 bits, payload 0 to 32 bytes, check sequence 1 or
// 2 bytes, all at one rate, with 130 us of start-up before each packet. There is
// no standard; fields, rates and start-up are those of transceiver data sheets.
//
// Nobody listens before sending.
type GFSK struct {
	rate    int
	fixed   int // bits around the payload
	duty    duty
	capture float64
}

const (
	gfskStartup = 130 * time.Microsecond
	gfskPayload = 32
	gfskControl = 9 // bits
)

// newGFSK returns the profile and notes mistakes.
func newGFSK(s Settings, m *mistakes) *GFSK {
	p := &GFSK{rate: m.oneRate("rate", s.Rate, 1_000_000, 250_000, 2_000_000), capture: s.Capture}
	address := m.whole("address_bytes", s.AddressBytes, 5, 3, 5, " bytes")
	checksum := m.whole("checksum_bytes", s.ChecksumBytes, 2, 1, 2, " bytes")
	p.fixed = 8*(1+address+checksum) + gfskControl
	p.duty = newDuty(s, 1, m)
	m.level(s.Capture)
	m.only(s, nameGFSK)
	return p
}

// Name returns "gfsk-packet".
func (p *GFSK) Name() string { return nameGFSK }

// MaxPayload returns 32.
func (p *GFSK) MaxPayload() int { return gfskPayload }

// Rate returns the rate of the bits, bit/s.
func (p *GFSK) Rate() int { return p.rate }

// Duty returns the largest share of the time on the air, 0..1.
func (p *GFSK) Duty() float64 { return p.duty.share }

// Airtime returns the time of all bits: (8 x (1 + address + n + check) + 9) /
// rate. The start-up is silence and not part of it.
func (p *GFSK) Airtime(n int) time.Duration {
	checkPayload(p, n)
	return bitsTime(p.fixed+8*n, p.rate)
}

// Signal returns the time of the preamble byte and the rate.
func (p *GFSK) Signal() (time.Duration, float64) {
	return bitsTime(8, p.rate), float64(p.rate)
}

// Channel returns a medium on which every station starts its transmitter as
// soon as it has a broadcast, whatever is on the air, and is heard 130 us later.
// Background senders do not listen either.
func (p *GFSK) Channel(c ChannelConfig) Channel {
	return newPlain(p, gfskStartup, p.duty, p.capture, c)
}

func (p *GFSK) occupancy(n int) time.Duration {
	air := p.Airtime(n)
	return max(gfskStartup+air, p.duty.cycle(air))
}
