package bus

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Recomputed rows: CRC, stuff bits and length from SOF through EOF of classic
// frames, from two further codings of the rules of the CAN specification 2.0.
func TestClassicFrames(t *testing.T) {
	for _, row := range []struct {
		id, data    string
		crc         uint32
		stuff, bits int
	}{
		{"000", "", 0x0000, 6, 50}, // 34 zeros: by hand
		{"7FF", "", 0x272F, 3, 47},
		{"555", "", 0x674C, 1, 45},
		{"009", "", 0x7C20, 5, 49}, // a stuff bit just before the CRC delimiter
		{"123", "11223344", 0x11DA, 1, 77},
		{"014", "01", 0x7753, 3, 55},
		{"254", "918FFE0603A60FFF", 0x10D5, 8, 116},
		{"7E8", "0341000000000000", 0x305F, 15, 123},
		{"100", "0001020304050607", 0x13AD, 11, 119},
		{"000", "0000000000000000", 0x145B, 16, 124},
		{"7FF", "FFFFFFFFFFFFFFFF", 0x4C89, 15, 123},
		{"555", "5555555555555555", 0x1B04, 1, 109},
		{"555", "AAAAAAAAAAAAAAAA", 0x7DCE, 1, 109},
		{"078", "3C3C3C3C3C3C3C3C", 0x1921, 20, 128},
		{"00000000", "", 0x4610, 7, 71},
		{"1FFFFFFF", "", 0x1C88, 7, 71},
		{"12345678", "1122334455667788", 0x04C2, 3, 131},
		{"18FEF100", "FFFFFFFFFFFFFFFF", 0x177A, 15, 143},
		{"0CF00400", "F07D7D0014FFFFFF", 0x6635, 13, 141},
		{"00000000", "0000000000000000", 0x3DAF, 19, 147},
		{"18DAF110", "0341000000000000", 0x3BB9, 12, 140},
		{"078", "3C3C3C3C3C7C3C3C", 0x1E9F, 21, 129}, // the most stuffed one that a search found
	} {
		f := frame(t, row.id, row.data, 0)
		wire := f.Wire()
		require.Equal(t, row.crc, wire.CRC, "%s#%s", row.id, row.data)
		require.Equal(t, row.stuff, wire.Stuffed, "%s#%s", row.id, row.data)
		require.Len(t, wire.Levels, row.bits, "%s#%s", row.id, row.data)
		require.Equal(t, Bits{Nominal: row.bits}, f.Bits(), "%s#%s", row.id, row.data)
		require.Equal(t, Bits{Nominal: row.bits + 3}, f.Bits().WithIntermission())
	}
}

// Recomputed rows for remote frames.
func TestRemoteFrames(t *testing.T) {
	for _, row := range []struct {
		id          string
		length      uint8
		crc         uint32
		stuff, bits int
	}{
		{"123", 0, 0x1B9D, 1, 45},
		{"123", 8, 0x6F9A, 1, 45},
		{"7DF", 0, 0x628D, 3, 47},
		{"12345678", 0, 0x1F52, 2, 66},
	} {
		f := remoteFrame(t, row.id, row.length)
		wire := f.Wire()
		require.Equal(t, row.crc, wire.CRC, row.id)
		require.Equal(t, row.stuff, wire.Stuffed, row.id)
		require.Equal(t, Bits{Nominal: row.bits}, f.Bits(), row.id)
	}
}

// Recomputed bit strings, SOF through EOF.
func TestClassicWire(t *testing.T) {
	for _, row := range []struct{ id, data, levels string }{
		{"000", "", "00000100000100000100000100000100000100001011111111"},
		{"555", "", "010101010101000001001100111010011001011111111"},
		{"7FF", "", "01111101111101000001000100111001011111011111111"},
		{"014", "01", "0000010010100000100010000010011110111010100111011111111"},
		{"123", "11223344", "00010010001100001000001100010010001000110011010001000010001110110101011111111"},
	} {
		require.Equal(t, row.levels, frame(t, row.id, row.data, 0).Wire().Levels, row.id)
	}
}

// counting returns the hex of so many bytes 00, 01, 02, ...
func counting(length int) string {
	const digits = "0123456789ABCDEF"
	var text strings.Builder
	for i := range length {
		text.WriteByte(digits[i>>4])
		text.WriteByte(digits[i&15])
	}
	return text.String()
}

// Recomputed rows for the ISO FD format with the switch of bit rate. An empty CRC
// register at the start, or a stuff bit counted behind the last data bit, changes
// them.
func TestFlexibleFrames(t *testing.T) {
	for _, row := range []struct {
		id, data      string
		crc           uint32
		stuff         int
		count         string
		nominal, fast int
	}{
		{"000", "", 0x13917, 2, "0110", 28, 33},
		{"7FF", "", 0x1363E, 2, "0110", 28, 33},
		{"123", "1122334455667788", 0x1C60F, 1, "0011", 26, 98},
		{"123", counting(16), 0x19153, 13, "1111", 26, 174},
		{"123", counting(20), 0x0EAC23, 15, "1001", 26, 213},
		{"123", counting(64), 0x015859, 25, "0011", 26, 575},
		{"555", strings.Repeat("55", 64), 0x13B023, 0, "0000", 26, 550},
		{"000", strings.Repeat("00", 64), 0x17B97B, 104, "0000", 28, 652},
		{"7FF", strings.Repeat("FF", 64), 0x0F6D3D, 105, "0011", 28, 653},
		{"12345678", counting(64), 0x0219C7, 25, "0011", 45, 575},
	} {
		f := frame(t, row.id, row.data, FD|BitRateFast)
		wire := f.Wire()
		require.Equal(t, row.crc, wire.CRC, "%s#%s", row.id, row.data)
		require.Equal(t, row.stuff, wire.Stuffed, "%s#%s", row.id, row.data)
		require.Equal(t, Bits{row.nominal, row.fast}, wire.Bits, "%s#%s", row.id, row.data)
		require.Equal(t, Bits{row.nominal, row.fast}, f.Bits(), "%s#%s", row.id, row.data)
		require.Len(t, wire.Levels, row.nominal+row.fast, "%s#%s", row.id, row.data)
		field := 27 // stuff count, CRC-17 and six fixed stuff bits
		if len(row.data) > 2*16 {
			field = 32
		}
		from := len(wire.Levels) - len("1011111111") - field
		require.Equal(t, row.count, wire.Levels[from+1:from+5], "%s#%s", row.id, row.data)
	}
}

func TestFlexibleFrameWithoutSwitch(t *testing.T) {
	f := frame(t, "123", "1122334455667788", FD)
	require.Equal(t, uint32(0x18279), f.Wire().CRC)
	require.Equal(t, Bits{Nominal: 124}, f.Bits())
	require.Equal(t, 248*time.Microsecond, f.Bits().Duration(500_000, 0))
}

func TestFlexibleWire(t *testing.T) {
	require.Equal(t,
		"000100100011001010100000101000100100010001100110100010001010101011001100111011110001000"+
			"100110111010011000001011101"+"1011111111",
		frame(t, "123", "1122334455667788", FD|BitRateFast).Wire().Levels)
	// The length code ends in five zeros: the first fixed bit takes the place of
	// a stuff bit.
	require.Equal(t,
		"000001000001000010100000"+"101101100101100110001101101"+"1011111111",
		frame(t, "000", "", FD|BitRateFast).Wire().Levels)
}

// 26 bits at 500 kbit/s and 98 or 575 at 2 Mbit/s.
func TestFlexibleTiming(t *testing.T) {
	short := frame(t, "123", "1122334455667788", FD|BitRateFast).Bits()
	require.Equal(t, 101*time.Microsecond, short.Duration(500_000, 2_000_000))
	require.Equal(t, 107*time.Microsecond, short.WithIntermission().Duration(500_000, 2_000_000))
	full := frame(t, "123", counting(64), FD|BitRateFast).Bits()
	require.Equal(t, 339_500*time.Nanosecond, full.Duration(500_000, 2_000_000))
	require.Equal(t, 345_500*time.Nanosecond, full.WithIntermission().Duration(500_000, 2_000_000))
}

func TestStuffCountIsGrayCodedWithEvenParity(t *testing.T) {
	gray := []uint64{0b000, 0b001, 0b011, 0b010, 0b110, 0b111, 0b101, 0b100}
	for n, code := range gray {
		got := stuffCount(n + 8)
		require.Equal(t, code, got>>1)
		ones := strings.Count(levels([]uint8{uint8(got >> 3 & 1), uint8(got >> 2 & 1), uint8(got >> 1 & 1), uint8(got & 1)}), "1")
		require.Zero(t, ones%2)
	}
}

// Wrong answers that look right, each of which changes a row above.
func TestWrongRulesWouldShow(t *testing.T) {
	bits, _ := frame(t, "000", "", FD|BitRateFast).bareBits()
	_, marks := stuff(bits)
	require.Equal(t, 3, marks[len(bits)], "counted with the one behind the last bit")
	bits, _ = frame(t, "009", "", 0).bareBits()
	_, marks = stuff(appendBits(bits, 0x7C20, 15))
	require.Equal(t, marks[len(marks)-2]+1, marks[len(marks)-1], "the last CRC bit is followed by a stuff bit")
}
