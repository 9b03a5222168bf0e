package radio

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// lostWith is the share of packets of so many bits with one wrong.
func lostWith(bitErrors float64, bits int) float64 {
	return -math.Expm1(float64(bits) * math.Log1p(-bitErrors))
}

// The formulas against figures worked out apart from this code: O-QPSK of IEEE
// 802.15.4 by signal-to-noise ratio, bit errors and frames of 22 and 127 bytes
// lost; differential binary phase shift keying, 293 bytes at 1 Mbit/s;
// non-coherent frequency shift keying, and legacy advertising packets of 46 bytes
// behind the preamble. Each to half a unit of the last digit printed.
func TestBitErrorRates(t *testing.T) {
	for _, c := range []struct{ snr, bits, unit, lost22, lost127 float64 }{
		{-3, 1.64e-2, 1e-4, .946, 1}, {-2, 5.20e-3, 1e-5, .600, .995}, {-1, 1.15e-3, 1e-5, .183, .689},
		{0, 1.62e-4, 1e-6, .0280, .151}, {1, 1.29e-5, 1e-7, .0023, .0130}, {2, 5.1e-7, 1e-8, .0001, .0005},
	} {
		e := OQPSKBitErrorRate(c.snr)
		require.InDelta(t, c.bits, e, c.unit/2*1.01, "%v dB", c.snr)
		require.InDelta(t, c.lost22, lostWith(e, 8*22), 0.0005, "%v dB", c.snr)
		require.InDelta(t, c.lost127, lostWith(e, 8*127), 0.0005, "%v dB", c.snr)
	}
	for snr, lost := range map[float64]float64{-5: .672, -4: .168, -3: .0189, -2: .0011} {
		e, ok := BitErrorRate(profile(t, Settings{}), snr)
		require.True(t, ok)
		require.InDelta(t, lost, lostWith(e, 8*293), 0.0005, "%v dB", snr)
	}
	for ebn0, want := range map[float64][3]float64{10: {3.37e-3, 1e-5, .711}, 12: {1.81e-4, 1e-6, .0644}, 13: {2.32e-5, 1e-7, .0085}} {
		e, ok := BitErrorRate(profile(t, Settings{Name: nameLegacy}), ebn0)
		require.True(t, ok)
		require.InDelta(t, want[0], e, want[1]/2*1.01, "%v dB", ebn0)
		require.InDelta(t, want[2], lostWith(e, 8*46), 0.0005, "%v dB", ebn0)
	}
	require.Equal(t, 0.5, math.Round(100*OQPSKBitErrorRate(-30))/100, "noise alone guesses")
}

// Where no formula holds there is none.
func TestRadiosWithoutABitErrorFormula(t *testing.T) {
	for _, s := range []Settings{{Rate: 6_000_000}, {Rate: 11_000_000}, {Name: nameExtended, Rate: 125_000}, {Name: nameExtended, PrimaryRate: 125_000}, {Name: nameLoRa}, {Name: nameIdeal}} {
		_, ok := BitErrorRate(profile(t, s), 10)
		require.False(t, ok, "%+v", s)
	}
}
