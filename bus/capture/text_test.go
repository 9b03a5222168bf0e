package capture

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// One construct of the text log a row. The first line is quoted by the
// description of a published data set; the other shapes are those of the frame
// notation 123#DATA, 123##FDATA, 123#R of Linux, values from memory.
func TestTextLine(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"(1522028512.233563) can0 254#918FFE0603A60FFF", "0 254 [8] 918FFE0603A60FFF"},
		{"(0.000001) can0 123#11223344", "0 123 [4] 11223344"},
		{"(0.000001) can0 123#", "0 123 [0] "},
		{"(0.000001) can0 18FEF100#FFFFFFFFFFFFFFFF", "0 18FEF100 [8] FFFFFFFFFFFFFFFF"},
		{"(0.000001) can0 00000123#01", "0 00000123 [1] 01"},
		{"(0.000001) can0 7FF#01", "0 7FF [1] 01"},
		{"(0.000001) can0 1FFFFFFF#01", "0 1FFFFFFF [1] 01"},
		{"(0.000001) can0 123##0", "0 123 [0]  fd"},
		{"(0.000001) can0 123##5000102030405060708090A0B", "0 123 [12] 000102030405060708090A0B fd fast"},
		{"(0.000001) can0 123##3AA", "0 123 [1] AA fd fast passive"},
		{"(0.000001) can0 123##2AA", "0 123 [1] AA fd passive"},
		{"(0.000001) can0 123##4" + strings.Repeat("5A", 64), "0 123 [64] " + strings.Repeat("5A", 64) + " fd"},
		{"(0.000001) can0 7DF#R", "0 7DF remote 0"},
		{"(0.000001) can0 7df#r", "0 7DF remote 0"},
		{"(0.000001) can0 7DF#R8", "0 7DF remote 8"},
		{"(0.000001) can0 18FEF100#R3", "0 18FEF100 remote 3"},
		{"(0.000001) can0 123#1122334455667788_C", "0 123 [8] 1122334455667788"},
		{"(0.000001) can0 123#1122334455667788_9 R", "0 123 [8] 1122334455667788"},
		{"(0.000001) can0 20000004#0001000000000000", "0 error 4 [8] 0001000000000000"},
		{"(0.000001) can0 123#11 R", "0 123 [1] 11"},
		{"(0.000001) can0 123#11 T", "0 123 [1] 11"},
		{"   (0.000001)  can0   123#11  ", "0 123 [1] 11"},
		{"\t(0.000001)\tcan0\t123#11", "0 123 [1] 11"},
		{"(0.000001) vcan_with-a.long:name 123#aB", "0 123 [1] AB"},
		{"(0.000001) can0 123#11\r", "0 123 [1] 11"},
		{"(2018-03-26 01:41:52.233563) can0 254#91", "0 254 [1] 91"},
		{"(0,5) can0 254#91", "0 254 [1] 91"},
	} {
		for _, end := range []string{"", "\n", "\r\n", "\n\x00\x00\x00", "\x1a"} {
			frames, r := read(t, c.line+end, Options{})
			require.Equal(t, []string{c.want}, frames, "%q", c.line+end)
			require.Equal(t, TextLog, r.Shape)
			require.Equal(t, int64(1), r.Read)
		}
	}
}

// A line that is not understood is never a wrong frame: it is named.
func TestTextLineRefused(t *testing.T) {
	for _, c := range []struct{ line, reason string }{
		{"080#0017dc09161116bb", reasonNoStamp},
		{"(1.5 can0 123#11", reasonNoStamp},
		{"(abc) can0 123#11", reasonTime},
		{"() can0 123#11", reasonTime},
		{"(1.2.3) can0 123#11", reasonTime},
		{"(99999999999999999999) can0 123#11", reasonRange},
		{"(5000000000.0) can0 123#11", reasonRange},
		{"(1.5) can0", reasonNoFrame},
		{"(1.5) 123#11", reasonNoFrame},
		{"(1522028512.233563)  254#918FFE0603A60FFF", reasonNoFrame},
		{"(1.5) can0 123", reasonNoFrame},
		{"(1.5) can0 12#11", reasonDigits},
		{"(1.5) can0 1234#11", reasonDigits},
		{"(1.5) can0 123456789#11", reasonDigits},
		{"(1.5) can0 800#11", reasonStandard},
		{"(1.5) can0 98FEF100#11", reasonExtended},
		{"(1.5) can0 123#1", reasonOdd},
		{"(1.5) can0 123#112", reasonOdd},
		{"(1.5) can0 123#11G2", reasonNotHex},
		{"(1.5) can0 123#11.22", reasonNotHex},
		{"(1.5) can0 123#11 22", reasonTrailing},
		{"(1.5) can0 123#112233445566778899", reasonLong},
		{"(1.5) can0 123##0" + strings.Repeat("00", 65), reasonLong},
		{"(1.5) can0 123##", reasonFlags},
		{"(1.5) can0 123##X11", reasonFlags},
		{"(1.5) can0 123##0" + strings.Repeat("00", 9), reasonFlexibleLength},
		{"(1.5) can0 123#R9", reasonRemoteLength},
		{"(1.5) can0 123#R81", reasonNotHex},
		{"(1.5) can0 123#11_C", reasonRawDLC},
		{"(1.5) can0 123#1122334455667788_8", reasonRawDLC},
		{"(1.5) can0 20000004#0001", reasonErrorFrame},
		{"(1.5) can0 20000004#R", reasonErrorFrame},
		{"(1.5) can0 123#11 RT", reasonTrailing},
		{"(1.5) can0 123#11\x00", reasonNotHex},
	} {
		good := line(0, "111#00")
		frames, r := read(t, good+"\n# remark\n// remark\n"+c.line+"\n"+line(time.Millisecond, "111#01"), Options{})
		require.Len(t, frames, 2, "%q", c.line)
		require.Equal(t, int64(1), r.Unreadable, "%q", c.line)
		require.Equal(t, []BadLine{{Number: 5, Text: c.line[:min(80, len(c.line))] + strings.Repeat("...", min(1, len(c.line)/81)), Reason: c.reason}}, r.Bad)
		require.Equal(t, int64(2), r.Comments)
		require.Equal(t, int64(1), r.Blank)
	}
}

// Decimal text becomes nanoseconds exactly, where a float64 of seconds since
// 1970 is off by up to 119 ns.
func TestNanoseconds(t *testing.T) {
	for _, c := range []struct {
		text     string
		exponent int
		ns       int64
		cut      bool
		reason   string
	}{
		{"1522028512.233563", 9, 1522028512233563000, false, ""},
		{"1522028512.233563001", 9, 1522028512233563001, false, ""},
		{"1522028512.2335630019", 9, 1522028512233563001, true, ""},
		{"1522028512.23356300100000000000000", 9, 1522028512233563001, false, ""},
		{"1522028512233563001", 0, 1522028512233563001, false, ""},
		{"1522028512233563,001", 3, 1522028512233563001, false, ""},
		{"-0.5", 9, -500000000, false, ""},
		{"+.5", 6, 500000, false, ""},
		{"5.", 9, 5000000000, false, ""},
		{"000000000000000000000000001", 9, 1000000000, false, ""},
		{"1.52202851223356E+09", 9, 1522028512233560000, false, ""},
		{"1E-05", 9, 10000, false, ""},
		{"1e-30", 9, 0, true, ""},
		{"0e99", 9, 0, false, ""},
		{"1e99", 9, 0, false, reasonRange},
		{"4000000000", 9, 4000000000000000000, false, ""},
		{"4000000000.000000001", 9, 0, false, reasonRange},
		{"18446744073709551616", 0, 0, false, reasonRange},
		{"1e", 9, 0, false, reasonTime},
		{"1e+", 9, 0, false, reasonTime},
		{".", 9, 0, false, reasonTime},
		{"", 9, 0, false, reasonTime},
		{"1.234,5", 9, 0, false, reasonTime},
		{"0x10", 9, 0, false, reasonTime},
	} {
		ns, cut, reason := nanoseconds([]byte(c.text), c.exponent)
		require.Equal(t, c.reason, reason, "%q", c.text)
		if reason == "" {
			require.Equal(t, c.ns, ns, "%q", c.text)
			require.Equal(t, c.cut, cut, "%q", c.text)
		}
	}
}

func TestClock(t *testing.T) {
	for _, c := range []struct {
		text string
		want string // "" = refused
	}{
		{"2018-03-26 01:41:52.233563", "2018-03-26T01:41:52.233563Z"},
		{"2018-03-26T01:41:52,233563Z", "2018-03-26T01:41:52.233563Z"},
		{"2018-03-26T03:41:52.233563+02:00", "2018-03-26T01:41:52.233563Z"},
		{"2018-03-25T19:11:52.000000001-06:30", "2018-03-26T01:41:52.000000001Z"},
		// The hour that clocks in central Europe skip: no zone plays a part.
		{"2018-03-25 02:30:00", "2018-03-25T02:30:00Z"},
		{"2024-02-29 00:00:00", "2024-02-29T00:00:00Z"},
		{"2023-02-29 00:00:00", ""},
		{"2023-13-01 00:00:00", ""},
		{"2300-01-01 00:00:00", ""},
		{"2018-03-26", ""},
		{"2018-03-26 25:00:00", ""},
		{"2018-03-26 10:60:00", ""},
		{"12:34:56.789", "1970-01-01T12:34:56.789Z"},
		{"9:05:03", "1970-01-01T09:05:03Z"},
		{"12:34", ""},
		{"12:34:-1", ""},
		{"12:34:", ""},
	} {
		ns, _, _, reason := clock([]byte(c.text))
		got := ""
		if reason == "" {
			got = time.Unix(0, ns).UTC().Format(time.RFC3339Nano)
		}
		require.Equal(t, c.want, got, "%q", c.text)
	}
}

func TestEightDigits(t *testing.T) {
	var b [8]byte
	for v := uint64(0); v < 1e8; v += 997 + v%13 {
		copy(b[:], fmt.Sprintf("%08d", v))
		got, ok := eightDigits(binary.LittleEndian.Uint64(b[:]))
		require.True(t, ok && got == v, "%s: %d", b, got)
	}
	for i := range b {
		for c := range 256 {
			copy(b[:], "99999999")
			b[i] = byte(c)
			_, ok := eightDigits(binary.LittleEndian.Uint64(b[:]))
			require.Equal(t, c >= '0' && c <= '9', ok, "%q", b)
		}
	}
}

func TestFourBytes(t *testing.T) {
	b := []byte("01234567")
	for i := range b {
		for c := range 256 {
			copy(b, "9aF0Bc6e")
			b[i] = byte(c)
			want, err := hex.DecodeString(string(b))
			digits := binary.LittleEndian.Uint64(b)
			require.Equal(t, err == nil, noHex(digits) == 0, "%q", b)
			if err == nil {
				require.Equal(t, binary.LittleEndian.Uint32(want), fourBytes(digits), "%q", b)
			}
		}
	}
}
