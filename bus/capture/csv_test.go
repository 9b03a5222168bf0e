package capture

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// One construct of CSV a row: two rows of data, so that the second offset shows
// the time unit.
func TestCSV(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
		says       string // in the layout
	}{
		{"seconds in the header", "time_s,id,data\n0.5,254,918F\n0.501,18FEF100,01\n",
			[]string{"0 254 [2] 918F", "1000000 18FEF100 [1] 01"}, "time: column 1, in s, stated by the header"},
		{"milliseconds in brackets", "Time [ms];ID (hex);Data\n1,5;0x254;91 8F\n2,5;0x123;01\n",
			[]string{"0 254 [2] 918F", "1000000 123 [1] 01"}, "time: column 1, in ms, stated by the header"},
		{"microseconds, tab", "timestamp us\tcan id\tpayload\n10\t254\t91-8F\n1010\t123\t0x01\n",
			[]string{"0 254 [2] 918F", "1000000 123 [1] 01"}, "in us, stated"},
		{"nanoseconds", "t_ns,id_hex,data_hex\n1522028512233563001,254,918F\n1522028513233563002,123,01\n",
			[]string{"0 254 [2] 918F", "1000000001 123 [1] 01"}, "identifier: column 2, hex, stated by the header"},
		{"unit guessed from an epoch", "timestamp,id,data\n1522028512233563,254,91\n1522028512234563,123,01\n",
			[]string{"0 254 [1] 91", "1000000 123 [1] 01"}, "in us, a guess"},
		{"unit guessed from the steps", "timestamp,id,data\n17,254,91\n18,123,01\n",
			[]string{"0 254 [1] 91", "1000000 123 [1] 01"}, "in ms, a guess"},
		{"decimals are seconds", "timestamp,id,data\n17.001,254,91\n17.002,123,01\n",
			[]string{"0 254 [1] 91", "1000000 123 [1] 01"}, "in s, a guess"},
		{"decimal id by the header", "t_s,ID (dec),data\n0,512,91\n1,513,01\n",
			[]string{"0 200 [1] 91", "1000000000 201 [1] 01"}, "decimal, stated by the header"},
		{"decimal id by its digits", "t_s,id,data\n0,419361278,91\n1,513,01\n",
			[]string{"0 18FEF1FE [1] 91", "1000000000 201 [1] 01"}, "decimal, the values have more than 8 digits"},
		{"decimal id by its range", "t_s,id,data\n0,1312,91\n1,80,01\n",
			[]string{"0 520 [1] 91", "1000000000 050 [1] 01"}, "decimal, a guess"},
		{"hex id by its letters", "t_s,id,data\n0,1A2,91\n1,100,01\n",
			[]string{"0 1A2 [1] 91", "1000000000 100 [1] 01"}, "hex, the values have hex digits"},
		{"eight digits are 29 bit", "t_s,id,data\n0,00000254,91\n1,18FEF100,01\n",
			[]string{"0 00000254 [1] 91", "1000000000 18FEF100 [1] 01"}, ""},
		{"all padded to eight digits", "t_s,id,data\n0,00000254,91\n1,000007FF,01\n",
			[]string{"0 254 [1] 91", "1000000000 7FF [1] 01"}, "8 digits taken as padding"},
		{"width column", "t_s,id,ext,data\n0,254,1,91\n1,254,std,01\n",
			[]string{"0 00000254 [1] 91", "1000000000 254 [1] 01"}, ""},
		{"flag bits in the number", "t_s,id,data\n0,2566844672,91\n1,1073741828,\n",
			[]string{"0 18FEF100 [1] 91", "1000000000 004 remote 0"}, ""},
		{"x behind 29-bit ids", "t_s,id,data\n0,254x,91\n1,254,01\n",
			[]string{"0 00000254 [1] 91", "1000000000 254 [1] 01"}, ""},
		{"byte columns from d0", "t_s,id,dlc,d0,d1,d2\n0,254,2,91,8f,\n1,254,3,1,2,3\n",
			[]string{"0 254 [2] 918F", "1000000000 254 [3] 010203"}, "data: 3 columns from 4, hex"},
		{"byte columns from D1", "t_s;id;D1;D2;D3\n0;254;91;8f;\n1;254;01;02;03\n",
			[]string{"0 254 [2] 918F", "1000000000 254 [3] 010203"}, ""},
		{"byte columns in decimal", "t_s,id,Data[0],Data[1]\n0,254,145,7\n1,254,1,99\n",
			[]string{"0 254 [2] 9107", "1000000000 254 [2] 0163"}, "decimal, values have three digits"},
		{"length code", "t_s,id,dlc,data\n0,254,9," + strings.Repeat("5A", 12) + "\n1,254,12," + strings.Repeat("5B", 12) + "\n",
			[]string{"0 254 [12] " + strings.Repeat("5A", 12) + " fd", "1000000000 254 [12] " + strings.Repeat("5B", 12) + " fd"}, "length code"},
		{"raw length code", "t_s,id,dlc,data\n0,254,15,0102030405060708\n1,254,8,0102030405060708\n",
			[]string{"0 254 [8] 0102030405060708", "1000000000 254 [8] 0102030405060708"}, ""},
		{"bytes behind the length", "t_s,id,len,data\n0,254,2,918F00\n1,254,1,01\n",
			[]string{"0 254 [2] 918F", "1000000000 254 [1] 01"}, ""},
		{"remote by a mark", "t_s,id,rtr,dlc,data\n0,254,1,8,\n1,254,0,1,01\n",
			[]string{"0 254 remote 8", "1000000000 254 [1] 01"}, ""},
		{"remote by a word", "t_s,id,dlc,data\n0,254,8,Remote\n1,254,1,01\n",
			[]string{"0 254 remote 8", "1000000000 254 [1] 01"}, ""},
		{"kinds by words", "t_s,id,type,dlc,data\n0,0,error frame,,\n1,254,data,1,01\n",
			[]string{"0 error 0 [8] 0000000000000000", "1000000000 254 [1] 01"}, ""},
		{"flexible format marks", "t_s,id,fd,brs,esi,data\n0,254,1,1,1,91\n1,254,0,0,0,01\n",
			[]string{"0 254 [1] 91 fd fast passive", "1000000000 254 [1] 01"}, ""},
		{"quotes", "\"t_s\",\"id\",\"data\"\n\"0\",\"254\",\"91,8F\"\n\"1,5\",\"254\",\" 01 \"\n",
			[]string{"0 254 [2] 918F", "1500000000 254 [1] 01"}, ""},
		{"time of day past midnight", "time;id;data\n23:59:59.5;254;91\n00:00:00.25;254;01\n",
			[]string{"0 254 [1] 91", "750000000 254 [1] 01"}, "time of day"},
		{"date and time", "timestamp,id,data\n2018-03-25 01:59:59.5,254,91\n2018-03-25 02:00:00.25,254,01\n",
			[]string{"0 254 [1] 91", "750000000 254 [1] 01"}, ""},
		{"text before the names", "Recorder 7\nstarted: 12:00\n\ntime_s,id,data\n0,254,91\n1,254,01\n",
			[]string{"0 254 [1] 91", "1000000000 254 [1] 01"}, "names in line 4"},
		{"byte order mark, CRLF, no last newline", "\xef\xbb\xbftime_s,id,data\r\n0,254,91\r\n1,254,01",
			[]string{"0 254 [1] 91", "1000000000 254 [1] 01"}, ""},
		{"no header, one data column", "0.5,254,918F\n0.575,123,01\n",
			[]string{"0 254 [2] 918F", "75000000 123 [1] 01"}, "no column names"},
		{"no header, length, one column a byte, a word behind", "1478198376.5,0316,2,05,21,R\n1478198376.501,018f,3,fe,5b,00,R\n",
			[]string{"0 316 [2] 0521", "1000000 18F [3] FE5B00"}, "no column names"},
		{"no header, channel", "0.5;can0;254;2;91 8F\n0.575;can1;123;1;01\n",
			[]string{"0 254 [2] 918F", "75000000 123 [1] 01"}, "no column names"},
		{"exponents of spreadsheets", "time_s,id,data\n1E-05,254,91\n2.5E-05,123,01\n",
			[]string{"0 254 [1] 91", "15000 123 [1] 01"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			frames, r := read(t, c.text, Options{})
			require.Equal(t, CSV, r.Shape)
			require.Equal(t, c.want, frames, "%v", r.Notes())
			require.Zero(t, r.Unreadable)
			require.Contains(t, strings.Join(r.Layout, "\n"), c.says)
		})
	}
}

// Counters of single rows.
func TestCSVCounts(t *testing.T) {
	_, r := read(t, "t_s,id,dlc,data\n0,254,9,"+strings.Repeat("5A", 12)+
		"\n1,254,15,0102030405060708\n2,254,1,0102\n3.0000000001,254,0,\n", Options{})
	require.Equal(t, int64(1), r.LengthCode)
	require.Equal(t, int64(1), r.RawDLC)
	require.Equal(t, int64(1), r.ExtraBytes)
	require.Equal(t, int64(1), r.CutDigits)
	require.Equal(t, int64(1), r.FD)
	require.Equal(t, int64(1), r.Header)

	_, r = read(t, "time,id,data\n23:59:59.99,1,00\n00:00:00.01,2,00\n23:59:59.995,3,00\n00:00:00.02,4,00\n", Options{})
	require.Equal(t, int64(1), r.Midnights)
	require.Equal(t, int64(1), r.Sorted, "a line of the day before that comes late is sorted, not another midnight")
	require.Equal(t, 30*time.Millisecond, r.Span)
}

// Rows that are no frames are named with their line.
func TestCSVRefused(t *testing.T) {
	for _, c := range []struct{ row, reason string }{
		{"x,254,0,0,1,01", reasonTime},
		{"1,", reasonID},
		{"1", reasonFewColumns},
		{"1,254,0,0,1", reasonFewColumns},
		{"1,FFFFFFFFF,0,0,1,01", reasonID},
		{"1,,0,0,1,01", reasonID},
		{"1,2G4,0,0,1,01", reasonID},
		{"1,800,0,0,1,01", reasonIDWidth},
		{"1,254,maybe,0,1,01", reasonYesNo},
		{"1,254,0,maybe,1,01", reasonYesNo},
		{"1,254,0,0,x,01", reasonLengthColumn},
		{"1,254,0,0,65,01", reasonLengthColumn},
		{"1,254,0,0,2,01", reasonFewBytes},
		{"1,254,0,0,2,011", reasonOdd},
		{"1,254,0,0,2,01GG", reasonNotHex},
		{"1,254,0,0,9,010203040506070809", reasonFlexibleLength},
		{"1,254,0,1,9,", reasonRemoteLength},
		{"1,254,0,0,1,\"01", reasonQuote},
		{"99999999999,254,0,0,1,01", reasonRange},
	} {
		_, r := read(t, "t_s,id,ext,rtr,dlc,data\n0,2A4,0,0,1,01\n"+c.row+"\n2,254,0,0,1,01\n", Options{})
		require.Equal(t, []BadLine{{Number: 3, Text: c.row, Reason: c.reason}}, r.Bad, "%q", c.row)
		require.Equal(t, int64(2), r.Frames)
	}
	_, r := read(t, "t_s,id,d0,d1\n0,2A4,01,02\n1,254,0G,02\n", Options{})
	require.Equal(t, reasonByte, r.Bad[0].Reason)
}

// A unit asked for stands above header and guess.
func TestCSVTimeUnit(t *testing.T) {
	frames, r := read(t, "t_s,id,data\n0,254,01\n1000,254,01\n", Options{TimeUnit: time.Microsecond})
	require.Equal(t, "1000000 254 [1] 01", frames[1])
	require.Contains(t, r.Layout[1], "in us, as asked for")
}

// What is written with nanoseconds comes back as it was, stamp for stamp.
func TestCSVRoundTrip(t *testing.T) {
	text := line(0, "254#918F") + line(1, "123#") + line(1_000_003, "18FEF100#01") + line(2_000_001, "00000123#02") +
		line(3_000_007, "123##5"+strings.Repeat("AB", 48))
	r, err := NewReader("test", strings.NewReader(text), Options{})
	require.NoError(t, err)
	var csv strings.Builder
	require.NoError(t, writeCSV(&csv, r))
	want, _ := read(t, text, Options{})
	got, _ := read(t, csv.String(), Options{})
	for i := range want {
		want[i] = strings.TrimSuffix(want[i], " fast") // the CSV has no column for it
	}
	require.Equal(t, want, got)
	require.Len(t, got, 5)
}

var _ bus.Source = (*Reader)(nil)
