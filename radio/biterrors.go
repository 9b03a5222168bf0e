package radio

import "math"

// Bit error rates of modulations in white Gaussian noise. They say nothing
// about distance, fading or interference.

// OQPSKBitErrorRate returns the bit error rate of the O-QPSK of IEEE 802.15.4 at
// 2.4 GHz for a signal-to-noise ratio in dB:
//
//	8/15 x 1/16 x sum over j = 2..16 of (-1)^j C(16,j) exp(20 SNR (1/j - 1))
//
// (coexistence annex of the standard; formula from memory).
func OQPSKBitErrorRate(snr float64) float64 {
	linear, sum, choose := math.Pow(10, snr/10), 0.0, 16.0
	for j := 2; j <= 16; j++ {
		choose *= float64(16-j+1) / float64(j)
		sign := float64(1 - 2*(j%2))
		sum += sign * choose * math.Exp(20*linear*(1/float64(j)-1))
	}
	return math.Max(0, 8.0/15/16*sum) // the terms cancel when the noise is strong
}

// DBPSKBitErrorRate returns the bit error rate of differential binary phase shift
// keying for Eb/N0 in dB: exp(-Eb/N0)/2 (Proakis, Digital Communications).
func DBPSKBitErrorRate(ebn0 float64) float64 { return math.Exp(-math.Pow(10, ebn0/10)) / 2 }

// FSKBitErrorRate returns the bit error rate of orthogonal frequency shift keying
// with non-coherent detection for Eb/N0 in dB: exp(-Eb/(2 N0))/2 (Proakis,
// Digital Communications).
func FSKBitErrorRate(ebn0 float64) float64 { return math.Exp(-math.Pow(10, ebn0/10)/2) / 2 }

// spreading is the gain in dB of the 22 MHz of the DSSS channel over 1 Mbit/s.
var spreading = 10 * math.Log10(22)

// BitErrorRate returns the bit error rate of a profile for a signal-to-noise ratio
// in dB, the noise taken over the bandwidth of the channel: 22 MHz for DSSS, 2
// MHz for 802.15.4, a bandwidth in Hz equal to the bit rate for GFSK. Without a
// formula that holds (OFDM, CCK, coded advertising, LoRa) it returns false.
func BitErrorRate(p Profile, snr float64) (float64, bool) {
	switch p := p.(type) {
	case *ActionFrame:
		return DBPSKBitErrorRate(snr + spreading), p.rate.bits == 1_000_000
	case *LowRate:
		return OQPSKBitErrorRate(snr), true
	case *GFSK:
		return FSKBitErrorRate(snr), true
	case *Advertising:
		return FSKBitErrorRate(snr), p.rate >= 1_000_000 && p.primary >= 1_000_000
	}
	return 0, false
}
