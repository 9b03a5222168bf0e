package capture

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"
)

// What is no capture is refused with what was found and what is expected.
func TestNoCapture(t *testing.T) {
	for _, c := range []struct{ name, text, says string }{
		{"empty", "", "the file is empty"},
		{"byte order mark alone", "\xef\xbb\xbf", "the file is empty"},
		{"photo", "\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01", "it is a photo (JPEG)"},
		{"compressed, cut off", "\x1f\x8b\x08\x00rest", "it begins like compressed data (gzip), but: unexpected EOF"},
		{"header of pcap cut off", "\xd4\xc3\xb2\xa1\x02\x00\x04\x00", "it begins like a pcap file, but: unexpected EOF"},
		{"UTF-16", "\xff\xfet\x00i\x00m\x00e\x00", "save it as UTF-8"},
		{"NUL bytes", strings.Repeat("\x00", 1000), "nothing but control bytes"},
		{"binary", strings.Repeat("\x01\x02\x03binary\n", 1000), "a binary file"},
		{"database", "VERSION \"\"\nBO_ 580 Drive: 8 ECU\n", "it is a signal database"},
		{"no times", "080#0017dc09161116bb\n081#00\n", `line 1: no time stamp in brackets at its beginning, and no columns separated by comma, semicolon or tab: "080#0017dc09161116bb"`},
		{"every line bad", "\n(1.5) can0 123#1\n(1.6) can0 123#2\n", `line 2: odd number of hex digits in the data: "(1.5) can0 123#1"`},
		{"names without a time", "id,dlc,data\n123,1,00\n", "line 1 looks like column names, but no time column is among them"},
		{"names without an identifier", "time,dlc,data\n123,1,00\n", "no identifier column"},
		{"names without data", "time,id,dlc\n123,1,00\n", "no data column"},
		{"names without rows", "time,id,data\n", "no row behind the column names in line 1 is a frame"},
		{"names with bad rows", "time,id,data\nx,y,z\n", "no row behind the column names in line 1 is a frame"},
		{"other table", "name,price\napple,1\npear,2\n", "neither column names nor a row"},
	} {
		_, err := NewReader("drive.bin", strings.NewReader(c.text), Options{})
		var format *FormatError
		require.ErrorAs(t, err, &format, c.name)
		require.Contains(t, err.Error(), c.says, c.name)
		require.True(t, strings.HasPrefix(err.Error(), "drive.bin is no capture"), c.name)
		require.Contains(t, err.Error(), "(1522028512.233563) can0 254#918FFE0603A60FFF", c.name)
		require.Contains(t, err.Error(), "time_s,id,data", c.name)
	}
}

func TestFormatErrorText(t *testing.T) {
	_, err := NewReader("notes.txt", strings.NewReader("one\ntwo\nthree\nfour\n"), Options{})
	const reason = "no time stamp in brackets at its beginning, and no columns separated by comma, semicolon or tab"
	require.EqualError(t, err, "notes.txt is no capture\n"+
		"  line 1: "+reason+": \"one\"\n  line 2: "+reason+": \"two\"\n  line 3: "+reason+": \"three\"\n"+
		"expected a SocketCAN text log, one frame a line:\n"+
		"  (1522028512.233563) can0 254#918FFE0603A60FFF\n"+
		"or CSV with a time, an identifier and data, best with column names:\n"+
		"  time_s,id,data\n  0.001250,254,918FFE0603A60FFF\n"+
		"or pcap or pcapng of link type 227, each also compressed (gzip);\nlines of any other form need a line template")
}

// A shape that is asked for is not sniffed; nothing understood is still an error.
func TestShapeAskedFor(t *testing.T) {
	r, err := NewReader("x", strings.NewReader("time_s,id,data\n0,123,00\n"), Options{Shape: TextLog})
	require.NoError(t, err)
	require.Empty(t, all(r))
	require.ErrorContains(t, r.Err(), "x is no capture\n  line 1: "+reasonNoStamp)
	balance(t, r.Report())
	_, err = NewReader("x", strings.NewReader(line(0, "123#00")), Options{Shape: CSV})
	require.ErrorContains(t, err, "x is no capture")
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	_, err := Open(dir, Options{})
	require.EqualError(t, err, dir+" is a directory; a capture is a file")
	_, err = Open(filepath.Join(dir, "none"), Options{})
	require.ErrorIs(t, err, os.ErrNotExist)

	path := filepath.Join(dir, "drive.log")
	require.NoError(t, os.WriteFile(path, []byte(line(0, "123#00")+line(ms, "18FEF100#01")), 0o600))
	s, err := Scan(path, Options{})
	require.NoError(t, err)
	require.Equal(t, ms, s.Span)
	require.Equal(t, path, s.Report.Name)
	require.Equal(t, []IDSummary{{0x123, 1, 0, 0}, {0x18FEF100 | 1<<31, 1, ms, ms}}, s.IDs)
	require.True(t, s.Report.Epoch)
	require.Equal(t, int64(1522028512_000000000), s.Report.FirstStamp)
}

// An error of the disk is handed on, after the frames before it.
func TestReadError(t *testing.T) {
	broken := errors.New("disk broken")
	r, err := NewReader("drive.log", io.MultiReader(strings.NewReader(strings.Repeat(line(0, "123#00"), 10000)),
		iotest.ErrReader(broken)), Options{})
	require.NoError(t, err)
	require.Len(t, all(r), 10000)
	require.ErrorIs(t, r.Err(), broken)
	require.ErrorContains(t, r.Err(), "drive.log: after line 10000: disk broken")
	_, err = NewReader("drive.log", iotest.ErrReader(broken), Options{})
	require.ErrorIs(t, err, broken)
}

// The reader's result does not depend on how the bytes arrive.
func TestSmallReads(t *testing.T) {
	text, _ := ordinary(3000)
	want, _ := read(t, string(text), Options{})
	r, err := NewReader("test", iotest.OneByteReader(strings.NewReader(string(text))), Options{})
	require.NoError(t, err)
	require.Equal(t, want, all(r))
	r, err = NewReader("test", iotest.DataErrReader(strings.NewReader(string(text))), Options{})
	require.NoError(t, err)
	require.Equal(t, want, all(r))
}

func TestStandardInput(t *testing.T) {
	text := line(0, "123#00") + line(ms, "123#01")
	f, err := NewFile("-", strings.NewReader(text), Options{})
	require.NoError(t, err)
	for range 2 { // it can be read again
		r, err := f.Open()
		require.NoError(t, err)
		require.Len(t, all(r), 2)
		require.Equal(t, "standard input", r.Report().Name)
		require.NoError(t, r.Close())
	}
	s, err := f.Scan()
	require.NoError(t, err)
	require.Equal(t, ms, s.Span)
	path := f.spooled
	require.FileExists(t, path)
	require.NoError(t, f.Close())
	require.NoFileExists(t, path)

	_, err = NewFile("-", strings.NewReader(text), Options{SpoolLimit: 20})
	require.EqualError(t, err, "standard input: more than the 20 bytes that are kept of it; give the capture as a file or raise the limit")
	leftovers, err := filepath.Glob(path + "*")
	require.NoError(t, err)
	require.Empty(t, leftovers)
}

func TestLongLines(t *testing.T) {
	long := strings.Repeat("x", 100)
	for _, text := range []string{
		line(0, "123#00") + long + "\n" + line(ms, "123#01"),
		line(0, "123#00") + line(ms, "123#01") + long,
	} {
		frames, r := read(t, text, Options{MaxLine: 90})
		require.Len(t, frames, 2)
		require.Equal(t, int64(1), r.TooLong)
		require.Equal(t, reasonTooLong, r.Bad[0].Reason)
		require.Equal(t, long[:80]+"...", r.Bad[0].Text)
	}
	huge := line(0, "123#00") + strings.Repeat("x", 3*bufferSize) + "\n" + line(ms, "123#01") + strings.Repeat("\x00", 3*bufferSize)
	frames, r := read(t, huge, Options{})
	require.Len(t, frames, 2)
	require.Equal(t, int64(1), r.TooLong)
	require.Equal(t, int64(3), r.Lines)
	require.Equal(t, int64(3*bufferSize), r.Padding)
}

func TestWrongOptionsPanic(t *testing.T) {
	for _, o := range []Options{{Gap: -1}, {Keep: -1}, {MaxLine: -1}, {SpoolLimit: -1}, {Shape: 9}, {GapRule: 9}, {TimeUnit: time.Minute}} {
		require.Panics(t, func() { _, _ = NewReader("x", strings.NewReader(""), o) }, "%+v", o)
	}
}

// Notes name every oddity.
func TestNotes(t *testing.T) {
	_, r := read(t, line(0, "123#00")+"what\n"+line(10*time.Second, "20000004#0001000000000000")+line(10*time.Second+ms, "7DF#R"), Options{})
	require.Equal(t, []string{
		"1 line of 4 not understood",
		`  line 2: no time stamp in brackets at its beginning: "what"`,
		"1 remote frame", "1 error frame", "1 error frame saying that the logger itself lost frames",
		"1 silence, the longest 10s: 9.999s cut out, values are unknown after each",
	}, r.Notes())
}
