package radio

import (
	"fmt"
	"strings"
	"time"
)

// LoRa sends packets of a chirp spread spectrum modem below 1 GHz, without
// listening and under a duty cycle.
//
// Time on air after application note AN1200.13 (LoRa modem designer's guide):
// with symbols of Ts = 2^SF / BW,
//
//	(preamble + 4.25 + 8 + max(ceil((8 n - 4 SF + 28 + 16 CRC - 20 IH) / (4 (SF - 2 DE))) (CR + 4), 0)) Ts
//
// where CRC = 1 with a check sequence, IH = 1 with an implicit header, DE = 1
// with low-data-rate optimisation and CR is 1 to 4. The optimisation is due when
// Ts is 16 ms or more. Spreading factors 5 and 6 differ between generations of
// the modem and are left out. All stations share one spreading factor and one
// channel, so any overlap collides.
type LoRa struct {
	factor, bandwidth, coding, preamble int
	implicit, checksum, slow            bool
	duty                                duty
	capture                             float64
	band                                SubBand
}

const loRaPayload = 255

// newLoRa returns the profile and notes mistakes.
func newLoRa(s Settings, m *mistakes) *LoRa {
	p := &LoRa{
		factor:   m.whole("spreading_factor", s.SpreadingFactor, 7, 7, 12, ""),
		preamble: m.whole("preamble_symbols", s.PreambleSymbols, 8, 6, 65535, " symbols"),
		implicit: s.ImplicitHeader, checksum: !s.NoChecksum, capture: s.Capture,
	}
	switch p.bandwidth = s.Bandwidth; s.Bandwidth {
	case 125_000, 250_000, 500_000:
	case 0:
		p.bandwidth = 125_000
	default:
		m.add("bandwidth", fmt.Sprintf("%dHz", s.Bandwidth), "one of 125000Hz, 250000Hz, 500000Hz")
		p.bandwidth = 125_000
	}
	p.coding = 1
	if rates := []string{"4/5", "4/6", "4/7", "4/8"}; s.CodingRate != "" {
		m.oneOf("coding_rate", s.CodingRate, rates...)
		for i, r := range rates {
			if r == s.CodingRate {
				p.coding = i + 1
			}
		}
	}
	switch m.oneOf("low_data_rate", s.LowDataRate, "auto", "on", "off") {
	case "auto":
		p.slow = p.symbol() >= 16*time.Millisecond
	case "on":
		p.slow = true
	}
	p.band = pickBand(s.SubBand, m)
	p.duty = newDuty(s, p.band.Duty, m)
	m.level(s.Capture)
	m.only(s, nameLoRa)
	return p
}

// pickBand finds a sub-band by its name.
func pickBand(name string, m *mistakes) SubBand {
	if name == "none" {
		return SubBand{Name: name, Duty: 1}
	}
	if name == "" {
		name = "868.0-868.6"
	}
	var names []string
	for _, b := range SubBands() {
		if b.Name == name {
			return b
		}
		names = append(names, b.Name)
	}
	m.add("sub_band", fmt.Sprintf("%q", name), "one of "+strings.Join(append(names, "none"), ", "))
	return SubBand{Name: "none", Duty: 1}
}

// Name returns "lora".
func (p *LoRa) Name() string { return nameLoRa }

// MaxPayload returns 255.
func (p *LoRa) MaxPayload() int { return loRaPayload }

// Band returns the sub-band and with it the duty cycle that a scenario took
// unless it gave one; its name is "none" without.
func (p *LoRa) Band() SubBand { return p.band }

// Duty returns the largest share of the time on the air, 0..1.
func (p *LoRa) Duty() float64 { return p.duty.share }

// symbol is the time of one symbol.
func (p *LoRa) symbol() time.Duration {
	return time.Second / time.Duration(p.bandwidth) << p.factor
}

// symbols is the number of symbols behind the preamble for n bytes.
func (p *LoRa) symbols(n int) int {
	bits := 8*n - 4*p.factor + 28
	if p.checksum {
		bits += 16
	}
	if p.implicit {
		bits -= 20
	}
	perBlock := 4 * p.factor
	if p.slow {
		perBlock -= 8
	}
	if bits <= 0 {
		return 8
	}
	return 8 + (bits+perBlock-1)/perBlock*(p.coding+4)
}

// lead is the time of the preamble with its 4.25 symbols of synchronisation.
func (p *LoRa) lead() time.Duration {
	return time.Duration(4*p.preamble+17) * p.symbol() / 4
}

// Airtime returns the time on air of a packet of n bytes.
func (p *LoRa) Airtime(n int) time.Duration {
	checkPayload(p, n)
	return p.lead() + time.Duration(p.symbols(n))*p.symbol()
}

// Signal returns the time of the preamble, and the rate of the payload's bits
// behind it: SF / Ts x 4 / (4 + CR).
func (p *LoRa) Signal() (time.Duration, float64) {
	return p.lead(), float64(p.factor) / p.symbol().Seconds() * 4 / float64(4+p.coding)
}

// Channel returns a medium on which every station sends as soon as it has a
// broadcast and its duty cycle allows. Background senders do not listen either;
// their share is their own affair.
func (p *LoRa) Channel(c ChannelConfig) Channel { return newPlain(p, 0, p.duty, p.capture, c) }

func (p *LoRa) occupancy(n int) time.Duration { return p.duty.cycle(p.Airtime(n)) }
