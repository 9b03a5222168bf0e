package bus

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The bounds of Davis, Burns, Bril, Lukkien 2007, equations 1 to 3, which work
// out as 55+10s and 80+10s bits with the intermission, and the lengths without
// stuffing. One bit lasts 2 us at 500 kbit/s.
func TestClassicBounds(t *testing.T) {
	for _, row := range []struct {
		length                                   int
		baseLeast, baseMost, longLeast, longMost int
		baseMicros, longMicros                   time.Duration
	}{
		{0, 47, 55, 67, 80, 110, 160},
		{1, 55, 65, 75, 90, 130, 180},
		{2, 63, 75, 83, 100, 150, 200},
		{3, 71, 85, 91, 110, 170, 220},
		{4, 79, 95, 99, 120, 190, 240},
		{5, 87, 105, 107, 130, 210, 260},
		{6, 95, 115, 115, 140, 230, 280},
		{7, 103, 125, 123, 150, 250, 300},
		{8, 111, 135, 131, 160, 270, 320},
	} {
		require.Equal(t, row.baseLeast, PlainBits(false, Data, 0, row.length).WithIntermission().Total())
		require.Equal(t, row.longLeast, PlainBits(true, Data, 0, row.length).WithIntermission().Total())
		base := MaxBits(false, Data, 0, row.length).WithIntermission()
		long := MaxBits(true, Data, 0, row.length).WithIntermission()
		require.Equal(t, row.baseMost, base.Total())
		require.Equal(t, row.longMost, long.Total())
		require.Equal(t, row.baseMicros*time.Microsecond, base.Duration(500_000, 0))
		require.Equal(t, row.longMicros*time.Microsecond, long.Duration(500_000, 0))
		// Recomputed: up to three bytes the header alone holds five zeros in a row.
		forced := 0
		if row.length <= 3 {
			forced = 1
		}
		require.Equal(t, row.baseLeast+forced, MinBits(false, Data, 0, row.length).WithIntermission().Total())
		require.Equal(t, row.longLeast+forced, MinBits(true, Data, 0, row.length).WithIntermission().Total())
	}
}

// Back to back at 500 kbit/s: 3704 (all stuffed) to 4505 (none) frames of 8 bytes
// a second.
func TestSaturation(t *testing.T) {
	perSecond := func(b Bits) float64 { return float64(time.Second) / float64(b.WithIntermission().Duration(500_000, 0)) }
	require.InDelta(t, 3704, perSecond(MaxBits(false, Data, 0, 8)), 0.5)
	require.InDelta(t, 4505, perSecond(MinBits(false, Data, 0, 8)), 0.5)
}

// Remote frames have 44 or 64 bits before stuffing, whatever length they ask for
// (CAN specification 2.0 part B, 3.2.2).
func TestRemoteFrameLength(t *testing.T) {
	for length := range 9 {
		require.Equal(t, 44, PlainBits(false, Remote, 0, length).Total())
		require.Equal(t, 64, PlainBits(true, Remote, 0, length).Total())
	}
}

// Recomputed from the header and CRC field widths of the ISO format. The bound in
// use elsewhere counts a stuff bit behind the last data bit, which the format
// never has: for 29-bit identifiers, where it would fall there, it is one higher.
func TestFlexibleBounds(t *testing.T) {
	for _, row := range []struct{ length, code, baseLeast, baseMost, longLeast, longMost int }{
		{0, 0, 59, 64, 78, 88},
		{1, 1, 67, 74, 86, 98},
		{2, 2, 75, 84, 94, 108},
		{4, 4, 91, 104, 110, 128},
		{8, 8, 123, 144, 142, 168},
		{12, 9, 155, 184, 174, 208},
		{16, 10, 187, 224, 206, 248},
		{20, 11, 224, 269, 243, 293},
		{24, 12, 256, 309, 275, 333},
		{32, 13, 320, 389, 339, 413},
		{48, 14, 448, 549, 467, 573},
		{64, 15, 576, 709, 595, 733},
	} {
		code, ok := LengthCode(row.length, FD)
		require.True(t, ok)
		require.Equal(t, row.code, code)
		for _, flags := range []Flags{FD, FD | BitRateFast} {
			require.Equal(t, row.baseLeast, PlainBits(false, Data, flags, row.length).Total())
			require.Equal(t, row.baseMost, MaxBits(false, Data, flags, row.length).Total())
			require.Equal(t, row.longLeast, PlainBits(true, Data, flags, row.length).Total())
			require.Equal(t, row.longMost-1, MaxBits(true, Data, flags, row.length).Total())
		}
		field := 33
		if row.length > 16 {
			field = 38
		}
		require.Equal(t, Bits{26, field + 8*row.length}, PlainBits(false, Data, FD|BitRateFast, row.length))
		require.Equal(t, Bits{45, field + 8*row.length}, PlainBits(true, Data, FD|BitRateFast, row.length))
	}
}

// The least length is reached by a frame of every form, so no higher one is true.
func TestMinBitsAreReached(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for _, extended := range []bool{false, true} {
		for _, flags := range []Flags{0, FD, FD | ErrorPassive, FD | BitRateFast, FD | BitRateFast | ErrorPassive} {
			for length := range MaxLength + 1 {
				if CheckFormat(0, Data, flags, length) == nil {
					requireReached(t, random, extended, Data, flags, length)
				}
			}
		}
		for length := range 9 {
			requireReached(t, random, extended, Remote, 0, length)
		}
	}
}

func requireReached(t *testing.T, random *rand.Rand, extended bool, kind Kind, flags Flags, length int) {
	t.Helper()
	want := MinBits(extended, kind, flags, length)
	for try := range 20_000 {
		f := Frame{ID: 0x555, Kind: kind, Flags: flags, Length: uint8(length)}
		if extended {
			f.ID = Extended | 0x15555555
		}
		// In FD format the CRC does not count, and the first try is it.
		alternating := byte(0x55) << (try & 1)
		for i := range f.Payload() {
			f.Data[i] = alternating
		}
		if try > 1 {
			f.ID ^= ID(random.Uint32() & MaxBaseNumber)
			f.Data[random.IntN(8)] = byte(random.Uint32())
		}
		got := f.Bits()
		require.GreaterOrEqual(t, got.Total(), want.Total())
		if got == want {
			return
		}
	}
	t.Errorf("extended %v, kind %v, flags %v, length %d: none of %v found", extended, kind, flags, length, want)
}

func TestReceptionIsOneBitBeforeTheEnd(t *testing.T) {
	b := frame(t, "555", "5555555555555555", 0).Bits()
	require.Equal(t, 2*time.Microsecond, b.Duration(500_000, 0)-b.Reception().Duration(500_000, 0))
}

func TestDuration(t *testing.T) {
	require.Equal(t, 333*time.Nanosecond, Bits{Nominal: 1}.Duration(3_000_000, 0), "rounded")
	require.Equal(t, 667*time.Nanosecond, Bits{Nominal: 2}.Duration(3_000_000, 0), "rounded up")
	require.Equal(t, 30*time.Microsecond, Bits{Nominal: 1}.Duration(33_333, 0).Round(time.Microsecond))
	require.Equal(t, 10*time.Hour, Bits{Nominal: 36_000_000_000}.Duration(1_000_000, 0), "sums of many frames")
	require.Panics(t, func() { Bits{Nominal: 1}.Duration(0, 0) })
	require.Panics(t, func() { Bits{Nominal: 1, Data: 1}.Duration(500_000, 0) })
}

func TestLengthCodes(t *testing.T) {
	for code := range 16 {
		length, ok := CodeLength(code, FD)
		require.True(t, ok)
		back, ok := LengthCode(length, FD)
		require.True(t, ok)
		require.Equal(t, code, back)
		classic, ok := CodeLength(code, 0)
		require.True(t, ok)
		require.Equal(t, min(code, 8), classic)
	}
	for _, length := range []int{-1, 9, 63, 65} {
		_, ok := LengthCode(length, FD)
		require.False(t, ok, length)
	}
	_, ok := LengthCode(12, 0)
	require.False(t, ok)
	_, ok = CodeLength(16, FD)
	require.False(t, ok)

	padded, ok := PaddedLength(49, FD)
	require.True(t, ok)
	require.Equal(t, 64, padded)
	_, ok = PaddedLength(65, FD)
	require.False(t, ok)
	_, ok = PaddedLength(9, 0)
	require.False(t, ok)
	// A frame of 9 bytes is 12 bytes long on the wire, the last three zero.
	require.Equal(t, frame(t, "123", "112233445566778899000000", FD).Bits(), frame(t, "123", "112233445566778899", FD).Bits())
}
