package radio

import (
	"fmt"
	"strings"
	"time"
)

// ActionFrame sends group-addressed vendor-specific action frames: one
// management frame, no acknowledgement, no retry, at one fixed rate.
//
// Standard: the durations of the physical layer (clauses 15 DSSS, 16 HR/DSSS,
// 18 ERP with the OFDM of 17), the medium access (10.3), the 24-byte header and
// 4-byte check sequence of a management frame (9.3.3), category 127 (9.6) and
// the vendor-specific element with its one-byte length (9.4.2).
//
// Format, not standard: behind category and organisation identifier a 4-byte
// random value, then one element whose content is identifier 3, type 1, version
// 1 and up to 250 payload bytes; the multi-element variant has up to six
// elements and 1470 payload bytes in one frame.
type ActionFrame struct {
	rate     rate
	short    bool // preamble
	multi    bool
	access   Access
	blind    bool // no carrier sense
	extended bool // EIFS after collisions
	capture  float64
}

// Access holds the times and the window of the medium access.
type Access struct {
	Slot      time.Duration
	SIFS      time.Duration
	DIFS      time.Duration // 10.3.2.3.5: SIFS + 2 slots
	EIFS      time.Duration // 10.3.2.3.7: SIFS + acknowledgement at the lowest mandatory rate of the modulation + DIFS
	Extension time.Duration // silence after the last symbol that belongs to the frame (ERP-OFDM, clause 18)
	Window    int           // CW: backoff is uniform on 0..CW slots
}

// Bytes around the payload.
const (
	frameBytes   = 24 + 1 + 3 + 4 + 4 // header, category, organisation, random value, check sequence
	elementBytes = 1 + 1 + 3 + 1 + 1  // identifier, length, organisation, type, version
	elementLimit = 250                // 255 - 3 - 1 - 1
	multiLimit   = 1470
	sifs         = 10 * time.Microsecond
)

// rate is a rate of the 2.4 GHz physical layers.
type rate struct {
	bits int // bit/s
	ofdm bool
}

var rates = []rate{
	{1_000_000, false}, {2_000_000, false}, {5_500_000, false}, {11_000_000, false},
	{6_000_000, true}, {9_000_000, true}, {12_000_000, true}, {18_000_000, true},
	{24_000_000, true}, {36_000_000, true}, {48_000_000, true}, {54_000_000, true},
}

// String returns the rate as a scenario writes it.
func (r rate) String() string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", float64(r.bits)/1e6), ".0") + "Mbit/s"
}

// newActionFrame returns the profile and notes mistakes.
func newActionFrame(s Settings, m *mistakes) *ActionFrame {
	p := &ActionFrame{rate: pickRate(s.Rate, m), blind: s.NoCarrierSense, extended: s.EIFS, capture: s.Capture}
	p.short = m.oneOf("preamble", s.Preamble, "long", "short") == "short"
	p.multi = m.oneOf("format", s.Format, "single-element", "multi-element") == "multi-element"
	if p.short && p.rate.ofdm {
		m.add("preamble", s.Preamble, "long: OFDM rates have one preamble only")
	} else if p.short && p.rate.bits == 1_000_000 {
		m.add("preamble", s.Preamble, "long: a short preamble does not exist at 1Mbit/s")
	}
	if s.Window < 0 || s.Window > 1023 {
		m.add("window", s.Window, "1 to 1023 slots")
	}
	if s.DIFS != 0 {
		m.between("difs", s.DIFS, time.Microsecond, time.Second)
	}
	m.level(s.Capture)
	m.only(s, nameActionFrame)
	p.access = newAccess(s, p, m)
	return p
}

// pickRate finds the rate of bits per second.
func pickRate(bits int, m *mistakes) rate {
	if bits == 0 {
		return rates[0]
	}
	var names []string
	for _, r := range rates {
		if r.bits == bits {
			return r
		}
		names = append(names, r.String())
	}
	m.add("rate", rate{bits: bits}, "one of "+strings.Join(names, ", "))
	return rates[0]
}

// newAccess fills in the defaults of the modulation: DSSS 20 us slots and CW
// 31 (aSlotTime and aCWmin of clauses 15 and 16), ERP-OFDM 9 us and CW 15
// (clause 18).
func newAccess(s Settings, p *ActionFrame, m *mistakes) Access {
	a := Access{SIFS: sifs, Slot: 20 * time.Microsecond, Window: 31}
	slots := []string{"long", "short"}
	if p.rate.ofdm {
		slots = []string{"short", "long"}
		a.Window, a.Extension = 15, 6*time.Microsecond
	}
	if m.oneOf("slot", s.Slot, slots...) == "short" {
		a.Slot = 9 * time.Microsecond
	}
	if s.Window != 0 {
		a.Window = s.Window
	}
	a.DIFS = a.SIFS + 2*a.Slot
	if s.DIFS != 0 {
		a.DIFS = s.DIFS
	}
	ack := rates[0]
	if p.rate.ofdm {
		ack = rate{6_000_000, true}
	}
	a.EIFS = a.SIFS + ack.duration(14, p.short) + a.Extension + a.DIFS
	return a
}

// Name returns "action-frame".
func (p *ActionFrame) Name() string { return nameActionFrame }

// Rate returns the rate of the frame's bytes, bit/s.
func (p *ActionFrame) Rate() int { return p.rate.bits }

// Access returns the times and the window in force, defaults filled in.
func (p *ActionFrame) Access() Access { return p.access }

// MaxPayload returns 250, or 1470 for the multi-element format.
func (p *ActionFrame) MaxPayload() int {
	if p.multi {
		return multiLimit
	}
	return elementLimit
}

// FrameBytes returns the bytes from the header to the check sequence for n
// payload bytes: 43 + n in one element, 7 more for each further one.
func (p *ActionFrame) FrameBytes(n int) int {
	checkPayload(p, n)
	elements := max(1, (n+elementLimit-1)/elementLimit)
	return frameBytes + elements*elementBytes + n
}

// Airtime returns the time of preamble, physical header and frame. The signal
// extension of ERP-OFDM is silence and not part of it; see Access.
func (p *ActionFrame) Airtime(n int) time.Duration {
	return p.rate.duration(p.FrameBytes(n), p.short)
}

// Signal returns the time of preamble and physical header, and the rate of the
// bits behind them.
func (p *ActionFrame) Signal() (time.Duration, float64) {
	return p.rate.preamble(p.short), float64(p.rate.bits)
}

// preamble is the time before the first byte of the frame: 144 + 48 us long or
// 72 + 24 us short for DSSS (clause 16), 16 + 4 us for OFDM (clause 17).
func (r rate) preamble(short bool) time.Duration {
	switch {
	case r.ofdm:
		return 20 * time.Microsecond
	case short:
		return 96 * time.Microsecond
	}
	return 192 * time.Microsecond
}

// duration is the time on the air of a frame of so many bytes: up to a whole
// microsecond for DSSS (clause 16), in whole symbols of 4 us for OFDM with 16
// service and 6 tail bits (17.4.3).
func (r rate) duration(bytes int, short bool) time.Duration {
	if r.ofdm {
		return r.preamble(short) + time.Duration(r.symbols(bytes))*4*time.Microsecond
	}
	bits := 8 * bytes
	us := (bits*1_000_000 + r.bits - 1) / r.bits
	return r.preamble(short) + time.Duration(us)*time.Microsecond
}

// symbols is the number of OFDM data symbols of a frame.
func (r rate) symbols(bytes int) int {
	perSymbol := r.bits / 1_000_000 * 4
	return (16 + 8*bytes + 6 + perSymbol - 1) / perSymbol
}
