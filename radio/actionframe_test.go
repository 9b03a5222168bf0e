package radio

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// mbit names the rates by bit/s.
var (
	dsss1, dsss2   = rate{1_000_000, false}, rate{2_000_000, false}
	dsss5, dsss11  = rate{5_500_000, false}, rate{11_000_000, false}
	ofdm6, ofdm54  = rate{6_000_000, true}, rate{54_000_000, true}
	ofdm24, ofdm36 = rate{24_000_000, true}, rate{36_000_000, true}
)

// Worked totals of a university course page on transmission times in IEEE
// 802.11: 1500 bytes and 28 bytes of header and check sequence, DIFS 50 us
// included. Its first edition prints 1258 at 11 Mbit/s, as the rule "up to a
// whole microsecond" gives; a later one 1257.
func TestFrameDurationsOfCoursePage(t *testing.T) {
	const difs = 50 * us
	require.Equal(t, 12466*us, difs+dsss1.duration(1528, false))
	require.Equal(t, 6258*us, difs+dsss2.duration(1528, true))
	require.Equal(t, 2369*us, difs+dsss5.duration(1528, true))
	require.Equal(t, 1258*us, difs+dsss11.duration(1528, true))
}

// A 14-byte control frame: the same page (SIFS 10 us included), and 248 us at
// 2 Mbit/s with the long preamble from EURASIP JWCN 2011:103, table 1.
func TestControlFrameDurations(t *testing.T) {
	require.Equal(t, 314*us, sifs+dsss1.duration(14, false))
	require.Equal(t, 162*us, sifs+dsss2.duration(14, true))
	require.Equal(t, 127*us, sifs+dsss5.duration(14, true))
	require.Equal(t, 117*us, sifs+dsss11.duration(14, true))
	require.Equal(t, 248*us, dsss2.duration(14, false))
}

// OFDM symbols: IEEE 802.11 annex example of 100 octets at 36 Mbit/s (6
// symbols, 44 us; value from memory), and 1536 bytes at 54 Mbit/s (57 symbols,
// 248 us; recomputed from 17.4.3). With the silent extension 50 and 254 us.
func TestOFDMSymbols(t *testing.T) {
	require.Equal(t, 6, ofdm36.symbols(100))
	require.Equal(t, 44*us, ofdm36.duration(100, false))
	require.Equal(t, 57, ofdm54.symbols(1536))
	require.Equal(t, 248*us, ofdm54.duration(1536, false))
	require.Equal(t, 6*us, actionFrame(t, Settings{Rate: 54_000_000}).Access().Extension)

	for _, r := range rates[4:] { // data bits per symbol, table 17-4
		per := map[int]int{6: 24, 9: 36, 12: 48, 18: 72, 24: 96, 36: 144, 48: 192, 54: 216}[r.bits/1_000_000]
		for bytes := range 2000 {
			n := r.symbols(bytes)
			bits := 16 + 8*bytes + 6
			require.True(t, n*per >= bits && (n-1)*per < bits, "%v, %d bytes: %d symbols", r, bytes, n)
		}
	}
}

// Airtime of the single-element action frame, recomputed from the formulas of
// clauses 15 to 18. The OFDM columns hold the silent 6 us extension.
func TestActionFrameAirtime(t *testing.T) {
	columns := []Settings{
		{Rate: 1_000_000}, {Rate: 2_000_000}, {Rate: 5_500_000}, {Rate: 11_000_000},
		{Rate: 2_000_000, Preamble: "short"}, {Rate: 5_500_000, Preamble: "short"}, {Rate: 11_000_000, Preamble: "short"},
		{Rate: 6_000_000}, {Rate: 9_000_000}, {Rate: 12_000_000}, {Rate: 18_000_000},
		{Rate: 24_000_000}, {Rate: 36_000_000}, {Rate: 48_000_000}, {Rate: 54_000_000},
	}
	rows := []struct {
		n, bytes int
		us       [15]int
	}{
		{0, 43, [15]int{536, 364, 255, 224, 268, 159, 128, 90, 70, 58, 50, 42, 38, 34, 34}},
		{8, 51, [15]int{600, 396, 267, 230, 300, 171, 134, 98, 74, 62, 50, 46, 38, 38, 34}},
		{20, 63, [15]int{696, 444, 284, 238, 348, 188, 142, 114, 86, 70, 58, 50, 42, 38, 38}},
		{60, 103, [15]int{1016, 604, 342, 267, 508, 246, 171, 170, 122, 98, 74, 62, 50, 46, 42}},
		{100, 143, [15]int{1336, 764, 400, 296, 668, 304, 200, 222, 158, 126, 94, 78, 62, 54, 50}},
		{200, 243, [15]int{2136, 1164, 546, 369, 1068, 450, 273, 354, 246, 190, 138, 110, 82, 70, 66}},
		{250, 293, [15]int{2536, 1364, 619, 406, 1268, 523, 310, 422, 290, 226, 158, 126, 94, 78, 70}},
	}
	for _, row := range rows {
		for c, s := range columns {
			p := actionFrame(t, s)
			require.Equal(t, row.bytes, p.FrameBytes(row.n))
			require.Equal(t, time.Duration(row.us[c])*us, p.Airtime(row.n)+p.Access().Extension, "%d bytes at %+v", row.n, s)
		}
	}
}

// The multi-element variant, recomputed; 1512 bytes of elements at 1470 are
// published with the frame format.
func TestMultiElementAirtime(t *testing.T) {
	at := func(bits int) *ActionFrame {
		return actionFrame(t, Settings{Rate: bits, Format: "multi-element"})
	}
	p := at(1_000_000)
	require.Equal(t, 1470, p.MaxPayload())
	for _, row := range []struct{ n, bytes, us int }{
		{0, 43, 536}, {250, 293, 2536}, {251, 301, 2600}, {500, 550, 4592}, {1000, 1064, 8704}, {1470, 1548, 12576},
	} {
		require.Equal(t, row.bytes, p.FrameBytes(row.n))
		require.Equal(t, time.Duration(row.us)*us, p.Airtime(row.n))
	}
	require.Equal(t, 1512, p.FrameBytes(1470)-frameBytes)
	require.Equal(t, (2094-6)*us, at(6_000_000).Airtime(1470))
	require.Equal(t, (546-6)*us, at(24_000_000).Airtime(1470))
	require.Equal(t, (258-6)*us, at(54_000_000).Airtime(1470))
}

// Both formats are the same frame up to 250 bytes.
func TestFormatsAgreeInOneElement(t *testing.T) {
	for _, r := range rates {
		single, multi := actionFrame(t, Settings{Rate: r.bits}), actionFrame(t, Settings{Rate: r.bits, Format: "multi-element"})
		for n := range elementLimit + 1 {
			require.Equal(t, single.Airtime(n), multi.Airtime(n))
		}
	}
}

// Slot, DIFS and windows of the 2.4 GHz physical layers; EIFS 364 and 268 us
// for DSSS from a wireless analysis handbook's chart. Its OFDM figures (196 and
// 174) count an acknowledgement at 1 Mbit/s behind an OFDM preamble; here it is
// one at 6 Mbit/s with its extension, as 10.3.2.3.7 asks.
func TestAccessDefaults(t *testing.T) {
	for _, c := range []struct {
		s    Settings
		want Access
	}{
		{Settings{Rate: 1_000_000}, Access{20 * us, 10 * us, 50 * us, 364 * us, 0, 31}},
		{Settings{Rate: 11_000_000, Preamble: "short"}, Access{20 * us, 10 * us, 50 * us, 268 * us, 0, 31}},
		{Settings{Rate: 11_000_000, Slot: "short", Window: 7}, Access{9 * us, 10 * us, 28 * us, 342 * us, 0, 7}},
		{Settings{Rate: 24_000_000}, Access{9 * us, 10 * us, 28 * us, (10 + 44 + 6 + 28) * us, 6 * us, 15}},
		{Settings{Rate: 6_000_000, Slot: "long"}, Access{20 * us, 10 * us, 50 * us, (10 + 44 + 6 + 50) * us, 6 * us, 15}},
		{Settings{DIFS: 34 * us}, Access{20 * us, 10 * us, 34 * us, 348 * us, 0, 31}},
	} {
		require.Equal(t, c.want, actionFrame(t, c.s).Access(), "%+v", c.s)
	}
}

func TestSignalSplitsTheAirtime(t *testing.T) {
	for _, s := range []Settings{{}, {Rate: 11_000_000, Preamble: "short"}, {Rate: 36_000_000}} {
		p := actionFrame(t, s)
		preamble, perSecond := p.Signal()
		bits := float64(8 * p.FrameBytes(250))
		require.InDelta(t, bits/perSecond, (p.Airtime(250) - preamble).Seconds(), 4e-6, "%+v", s)
	}
	preamble, perSecond := profile(t, Settings{Name: "ideal", Airtime: time.Millisecond, PerByte: 8 * us}).Signal()
	require.Equal(t, time.Millisecond, preamble)
	require.InEpsilon(t, 1e6, perSecond, 1e-12)
}

func TestIdealAirtime(t *testing.T) {
	p := profile(t, Settings{Name: "ideal", Airtime: 2 * time.Millisecond, PerByte: 3 * us, Payload: 1000})
	require.Equal(t, 1000, p.MaxPayload())
	require.Equal(t, 2*time.Millisecond, p.Airtime(0))
	require.Equal(t, 5*time.Millisecond, p.Airtime(1000))
	require.Zero(t, profile(t, Settings{Name: "ideal"}).Airtime(250))
}

func TestPayloadBeyondTheLimitPanics(t *testing.T) {
	for _, p := range []Profile{profile(t, Settings{}), profile(t, Settings{Name: "ideal"})} {
		require.PanicsWithValue(t, fmt.Sprintf("radio: payload of 251 bytes on profile %s, limit 250", p.Name()), func() { p.Airtime(251) })
		require.Panics(t, func() { p.Airtime(-1) })
	}
}

func TestUnknownSettingsNameWhatExists(t *testing.T) {
	for _, c := range []struct {
		s    Settings
		want string
	}{
		{Settings{Name: "smoke-signal"}, `profile: "smoke-signal", want one of action-frame, 802.15.4, ble-legacy, ble-extended, gfsk-packet, lora, ideal`},
		{Settings{Rate: 3_000_000}, "rate: 3Mbit/s, want one of 1Mbit/s, 2Mbit/s, 5.5Mbit/s, 11Mbit/s, 6Mbit/s, 9Mbit/s, 12Mbit/s, 18Mbit/s, 24Mbit/s, 36Mbit/s, 48Mbit/s, 54Mbit/s"},
		{Settings{Preamble: "short"}, "preamble: short, want long: a short preamble does not exist at 1Mbit/s"},
		{Settings{Rate: 6_000_000, Preamble: "short"}, "preamble: short, want long: OFDM rates have one preamble only"},
		{Settings{Name: "ideal", Rate: 1_000_000}, "rate: given, want nothing: the profile ideal has no such setting"},
		{Settings{Airtime: us}, "airtime: given, want nothing: the profile action-frame has no such setting"},
		{Settings{Window: 1024, Slot: "tiny", Format: "huge", Rate: 2_000_000, Preamble: "none"},
			"preamble: \"none\", want one of long, short\nformat: \"huge\", want one of single-element, multi-element\n" +
				"window: 1024, want 1 to 1023 slots\nslot: \"tiny\", want one of long, short"},
	} {
		p, err := NewProfile(c.s)
		require.Nil(t, p)
		require.EqualError(t, err, c.want)
		require.Equal(t, err, c.s.Check())
	}
}

func TestEveryListedProfileExists(t *testing.T) {
	for _, i := range Profiles() {
		p := profile(t, Settings{Name: i.Name})
		require.Equal(t, i.Name, p.Name())
		require.NotEmpty(t, i.What)
		_, ideal := p.(*Ideal)
		require.Equal(t, ideal, !i.Shared)
		_, advertises := p.(*Advertising)
		require.Equal(t, advertises, i.Advertises)
		require.NotEmpty(t, SettingKeys(i.Name))
	}
}
