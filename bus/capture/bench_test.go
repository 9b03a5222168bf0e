package capture

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// ordinary returns a text log and the same frames as CSV.
func ordinary(frames int) (text, csv []byte) {
	random := rand.New(rand.NewPCG(3, 4))
	csv = []byte("time_s,id,dlc,data\n")
	now := int64(1522028512_000000_000)
	for range frames {
		now += 300_000 + random.Int64N(400)*1000
		id, data := 0x100+random.IntN(96), random.Uint64()
		text = fmt.Appendf(text, "(%d.%06d) can0 %03X#%016X\n", now/1e9, now%1e9/1e3, id, data)
		csv = fmt.Appendf(csv, "%d.%06d,%03X,8,%016X\n", now/1e9, now%1e9/1e3, id, data)
	}
	return text, csv
}

// twin reads a text log the plain way: scanner, fields, hex, float.
type twin struct{ s *bufio.Scanner }

func (w *twin) Next(f *bus.Frame) bool {
	for w.s.Scan() {
		fields := strings.Fields(w.s.Text())
		if len(fields) < 3 {
			continue
		}
		at, err := strconv.ParseFloat(strings.Trim(fields[0], "()"), 64)
		id, data, ok := strings.Cut(fields[2], "#")
		if err != nil || !ok {
			continue
		}
		number, err := strconv.ParseUint(id, 16, 32)
		if err != nil {
			continue
		}
		raw, err := hex.DecodeString(data)
		if err != nil {
			continue
		}
		*f = bus.Frame{At: time.Duration(at * 1e9), ID: bus.ID(number), Length: uint8(len(raw)), Message: -1}
		if len(id) == 8 {
			f.ID |= bus.Extended
		}
		copy(f.Data[:], raw)
		return true
	}
	return false
}

func benchmark(b *testing.B, text []byte, open func(io.Reader) bus.Source) {
	const frames = 100_000
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		s := open(bytes.NewReader(text))
		var f bus.Frame
		n := 0
		for s.Next(&f) {
			n++
		}
		if n != frames {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/frames, "ns/frame")
}

func BenchmarkTextLog(b *testing.B) {
	text, _ := ordinary(100_000)
	benchmark(b, text, mustRead)
}

func BenchmarkCSV(b *testing.B) {
	_, csv := ordinary(100_000)
	benchmark(b, csv, mustRead)
}

func BenchmarkTextLogTwin(b *testing.B) {
	text, _ := ordinary(100_000)
	benchmark(b, text, func(r io.Reader) bus.Source { return &twin{bufio.NewScanner(r)} })
}

// packetFile returns the frames of a text log as pcapng.
func packetFile(text []byte) []byte {
	var b bytes.Buffer
	w, err := NewWriter(&b, "can0", 1522028512_000000_000)
	if err != nil {
		panic(err)
	}
	var f bus.Frame
	for s := mustRead(bytes.NewReader(text)); s.Next(&f); {
		if err := w.Write(&f); err != nil {
			panic(err)
		}
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return b.Bytes()
}

func BenchmarkPackets(b *testing.B) {
	text, _ := ordinary(100_000)
	benchmark(b, packetFile(text), mustRead)
}

// librarySource reads pcapng through the library, without any of the checks.
type librarySource struct{ r *pcapgo.NgReader }

func (l librarySource) Next(f *bus.Frame) bool {
	data, info, err := l.r.ZeroCopyReadPacketData()
	if err != nil {
		return false
	}
	*f = bus.Frame{At: time.Duration(info.Timestamp.UnixNano()), ID: bus.ID(binary.BigEndian.Uint32(data)), Length: data[4], Message: -1}
	copy(f.Data[:], data[8:])
	return true
}

func BenchmarkPacketsLibrary(b *testing.B) {
	text, _ := ordinary(100_000)
	benchmark(b, packetFile(text), func(r io.Reader) bus.Source {
		n, err := pcapgo.NewNgReader(r, pcapgo.DefaultNgReaderOptions)
		if err != nil {
			panic(err)
		}
		return librarySource{n}
	})
}

func BenchmarkWriter(b *testing.B) {
	w, err := NewWriter(io.Discard, "can0", 0)
	if err != nil {
		b.Fatal(err)
	}
	f := bus.Frame{ID: 0x123, Length: 8}
	b.ReportAllocs()
	for b.Loop() {
		f.At += time.Microsecond
		if err := w.Write(&f); err != nil {
			b.Fatal(err)
		}
	}
}

func mustRead(r io.Reader) bus.Source {
	s, err := NewReader("benchmark", r, Options{})
	if err != nil {
		panic(err)
	}
	return s
}

// Reader and twin agree on identifiers and data, so that the benchmark compares
// equal work; no line allocates in the reader.
func TestReaderAgreesWithTwin(t *testing.T) {
	text, csv := ordinary(5000)
	a, b, c := mustRead(bytes.NewReader(text)), &twin{bufio.NewScanner(bytes.NewReader(text))}, mustRead(bytes.NewReader(csv))
	var f, g, h bus.Frame
	for range 5000 {
		require.True(t, a.Next(&f) && b.Next(&g) && c.Next(&h))
		require.Equal(t, g.ID, f.ID)
		require.Equal(t, g.Payload(), f.Payload())
		require.Equal(t, show(&f), show(&h))
	}
	require.False(t, a.Next(&f) || b.Next(&g) || c.Next(&h))

	for _, text := range [][]byte{text, csv, packetFile(text)} {
		s := mustRead(bytes.NewReader(text))
		require.Zero(t, testing.AllocsPerRun(4000, func() { s.Next(&f) }))
	}
}
