package radio

import "time"

// LowRate sends broadcast data frames of IEEE 802.15.4-2015 at 2.4 GHz: O-QPSK
// at 250 kbit/s, unslotted CSMA-CA, no acknowledgement.
//
// A frame is preamble 4, start delimiter 1 and length 1 byte (clause 12.1), then
// up to 127 bytes: frame control 2, sequence number 1, addresses, payload, check
// sequence 2 (clause 7). With 16-bit addresses of both ends and one network
// identifier these are 2 + 2 + 2 bytes, with 64-bit ones 2 + 8 + 8; the
// destination of a broadcast is 0xFFFF. A symbol takes 16 us, a byte two of
// them.
type LowRate struct {
	overhead    int // bytes around the payload, from frame control to check sequence
	exponent    int // macMinBE
	maxExponent int // macMaxBE
	assessments int // macMaxCSMABackoffs + 1
	capture     float64
}

// Times and sizes of IEEE 802.15.4-2015, O-QPSK PHY at 2450 MHz.
const (
	lowRateSymbol  = 16 * time.Microsecond
	lowRateBackoff = 20 * lowRateSymbol // aUnitBackoffPeriod
	lowRateCCA     = 8 * lowRateSymbol  // phyCcaDuration
	lowRateTurn    = 12 * lowRateSymbol // aTurnaroundTime
	lowRateLIFS    = 40 * lowRateSymbol // macLifsPeriod
	lowRateSIFS    = 12 * lowRateSymbol // macSifsPeriod
	lowRateShort   = 18                 // aMaxSifsFrameSize, bytes
	lowRateLimit   = 127                // aMaxPhyPacketSize, bytes
	lowRateHeader  = 4 + 1 + 1          // bytes before it
)

// newLowRate returns the profile and notes mistakes.
func newLowRate(s Settings, m *mistakes) *LowRate {
	p := &LowRate{capture: s.Capture}
	switch m.oneOf("addressing", s.Addressing, "16-bit", "none", "64-bit") {
	case "none":
		p.overhead = 2 + 1 + 2
	case "64-bit":
		p.overhead = 2 + 1 + 2 + 8 + 8 + 2
	default:
		p.overhead = 2 + 1 + 2 + 2 + 2 + 2
	}
	p.exponent = m.whole("backoff_exponent", s.BackoffExponent, 3, 1, 8, "")
	p.maxExponent = m.whole("max_backoff_exponent", s.MaxBackoffExponent, max(5, p.exponent), 3, 8, "")
	if p.maxExponent < p.exponent {
		m.add("max_backoff_exponent", p.maxExponent, "at least backoff_exponent")
	}
	p.assessments = m.whole("assessments", s.Assessments, 5, 1, 6, "")
	m.level(s.Capture)
	m.only(s, nameLowRate)
	return p
}

// Name returns "802.15.4".
func (p *LowRate) Name() string { return nameLowRate }

// MaxPayload returns 122, 116 or 104 for no, 16-bit and 64-bit addresses.
func (p *LowRate) MaxPayload() int { return lowRateLimit - p.overhead }

// FrameBytes returns the bytes from frame control to check sequence for n
// payload bytes.
func (p *LowRate) FrameBytes(n int) int {
	checkPayload(p, n)
	return p.overhead + n
}

// Airtime returns 32 us for every byte of preamble, header and frame.
func (p *LowRate) Airtime(n int) time.Duration {
	return time.Duration(lowRateHeader+p.FrameBytes(n)) * 2 * lowRateSymbol
}

// Spacing returns the interframe space after a broadcast of n payload bytes:
// LIFS 640 us, or SIFS 192 us after frames of up to 18 bytes (6.2.4).
func (p *LowRate) Spacing(n int) time.Duration {
	if p.FrameBytes(n) <= lowRateShort {
		return lowRateSIFS
	}
	return lowRateLIFS
}

// Signal returns the time of preamble, delimiter and length, and 250 kbit/s.
func (p *LowRate) Signal() (time.Duration, float64) {
	return lowRateHeader * 2 * lowRateSymbol, 250_000
}

// occupancy counts the mean of the first backoff, the assessment, the
// turnaround, the frame and the space after it.
func (p *LowRate) occupancy(n int) time.Duration {
	backoff := time.Duration(1<<p.exponent-1) * lowRateBackoff / 2
	return backoff + lowRateCCA + lowRateTurn + p.Airtime(n) + p.Spacing(n)
}
