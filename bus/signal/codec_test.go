package signal

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// walk names the place of each bit of a signal, from the least significant: the
// definition of both byte orders, one bit at a time.
func walk(d *Definition) []int {
	places := make([]int, d.Bits)
	at := d.Start
	for i := range places {
		if !d.BigEndian {
			places[i] = at
			at++
			continue
		}
		places[len(places)-1-i] = at
		if at&7 == 0 {
			at += 15 // on to the top of the next byte
		} else {
			at--
		}
	}
	return places
}

// walkRaw reads a signal bit by bit.
func walkRaw(d *Definition, data []byte) (raw uint64, ok bool) {
	for i, at := range walk(d) {
		if at>>3 >= len(data) {
			return 0, false
		}
		raw |= uint64(data[at>>3]>>(at&7)&1) << i
	}
	return raw, true
}

// walkPut writes a signal bit by bit.
func walkPut(d *Definition, data []byte, raw uint64) {
	for i, at := range walk(d) {
		data[at>>3] = data[at>>3]&^(1<<(at&7)) | byte(raw>>i&1)<<(at&7)
	}
}

// checkCodec holds a codec against the walk bit by bit, on these data.
func checkCodec(t *testing.T, d *Definition, data []byte, raw uint64) {
	t.Helper()
	codec := Compile(d)
	want, inside := walkRaw(d, data)
	got, ok := codec.Raw(data)
	require.Equal(t, inside, ok, "%+v in %d bytes", d, len(data))
	require.Equal(t, want, got, "%+v in %d bytes", d, len(data))
	plain, ok := d.Raw(data)
	require.Equal(t, inside, ok)
	require.Equal(t, want, plain)
	if !inside {
		require.Panics(t, func() { codec.PutRaw(data, raw) })
		return
	}
	byWalk := append([]byte(nil), data...)
	walkPut(d, byWalk, raw)
	byCodec := append([]byte(nil), data...)
	codec.PutRaw(byCodec, raw)
	require.Equal(t, byWalk, byCodec, "%+v in %d bytes", d, len(data))
	d.PutRaw(data, raw)
	require.Equal(t, byWalk, data)
}

// Every start, width and byte order in messages of 1 to 12 bytes.
func TestCodecEqualsWalk(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, length := range []int{1, 2, 3, 5, 7, 8, 9, 12} {
		for _, bigEndian := range []bool{false, true} {
			for start := range 8*length + 3 {
				for width := 1; width <= 64; width++ {
					d := Definition{Name: "x", Start: start, Bits: width, BigEndian: bigEndian, Scale: 1, Page: AnyPage}
					data := make([]byte, length)
					for i := range data {
						data[i] = byte(random.Uint32())
					}
					checkOneCodec(t, &d, data, random.Uint64())
				}
			}
		}
	}
}

// checkOneCodec is checkCodec without the cost of a hundred thousand assertions.
func checkOneCodec(t *testing.T, d *Definition, data []byte, raw uint64) {
	t.Helper()
	codec := Compile(d)
	want, inside := walkRaw(d, data)
	if got, ok := codec.Raw(data); got != want || ok != inside {
		t.Fatalf("%+v in %d bytes: %X %v, expected %X %v", d, len(data), got, ok, want, inside)
	}
	if !inside {
		return
	}
	byWalk := append([]byte(nil), data...)
	walkPut(d, byWalk, raw)
	codec.PutRaw(data, raw)
	if string(byWalk) != string(data) {
		t.Fatalf("%+v in %d bytes: % X, expected % X", d, len(data), data, byWalk)
	}
}

// Laws: a codec equals the walk bit by bit and the definition; what is encoded
// decodes to within half a step unless it was clipped; encoding what was decoded
// changes nothing.
func FuzzCodec(f *testing.F) {
	f.Add(4, 16, uint8(0), 0.5, -40.0, []byte{1, 2, 3, 4, 5, 6, 7, 8}, uint64(0x1234), 12.25)
	f.Add(7, 64, uint8(1), 1.0, 0.0, make([]byte, 8), uint64(math.MaxUint64), -1.0)
	f.Add(3, 64, uint8(3), 1.0, 0.0, make([]byte, 64), uint64(1), 1e18)
	f.Add(0, 32, uint8(4), 2.0, 1.0, make([]byte, 4), uint64(0x7FC00001), math.NaN())
	f.Add(60, 12, uint8(2), -0.01, 3.0, make([]byte, 9), uint64(5), math.Inf(1))
	f.Fuzz(func(t *testing.T, start, width int, form uint8, scale, offset float64, data []byte, raw uint64, value float64) {
		d := Definition{
			Name: "x", Start: start, Bits: width, BigEndian: form&1 != 0, Signed: form&2 != 0, Float: form&4 != 0,
			Scale: scale, Offset: offset, Page: AnyPage,
		}
		if d.Check() != nil {
			require.Panics(t, func() { Compile(&d) })
			return
		}
		if len(data) > 64 {
			data = data[:64]
		}
		checkCodec(t, &d, data, raw)
		codec := Compile(&d)
		decoded, ok := codec.Decode(data)
		if !ok {
			return
		}
		plain, _ := d.Decode(data)
		require.Equal(t, math.Float64bits(plain), math.Float64bits(decoded))

		before := append([]byte(nil), data...)
		clipped := codec.Encode(data, value)
		require.Equal(t, clipped, d.Encode(before, value))
		require.Equal(t, before, data)
		if !clipped && !d.Float {
			checkHalfStep(t, &d, &codec, data, value)
		}
	})
}

// checkHalfStep requires that the data hold a value within half a step, and the
// rounding of the arithmetic, and that encoding it again changes nothing where
// the steps are wide enough to tell.
func checkHalfStep(t *testing.T, d *Definition, codec *Codec, data []byte, value float64) {
	t.Helper()
	got, _ := codec.Decode(data)
	size := math.Abs(value) + math.Abs(d.Offset) + math.Abs(got)
	rounding := math.Ldexp(size, -50) + math.SmallestNonzeroFloat64
	if math.IsInf(size, 0) || math.Abs(value-d.Offset)/math.Abs(d.Scale) > math.Ldexp(1, 52) {
		return
	}
	require.LessOrEqual(t, math.Abs(got-value), math.Abs(d.Scale)/2+rounding, "%+v %v", d, value)
	if rounding < math.Abs(d.Scale)/4 {
		again := append([]byte(nil), data...)
		require.False(t, codec.Encode(again, got))
		require.Equal(t, data, again)
	}
}

func TestHotPathsAllocateNothing(t *testing.T) {
	codec := Compile(&speed)
	data := make([]byte, 8)
	require.Zero(t, testing.AllocsPerRun(100, func() {
		codec.Encode(data, 12)
		codec.Decode(data)
		codec.Encode(data[:3], 12)
		codec.Decode(data[:3])
	}))
}

var sink float64

func benchmarkCodecs(b *testing.B, run func(b *testing.B, c Codec, data []byte)) {
	for _, row := range []struct {
		name   string
		d      Definition
		length int
	}{
		{"little 16 of 8 bytes", Definition{Name: "x", Start: 20, Bits: 16, Scale: 0.5}, 8},
		{"big 12 signed of 8 bytes", Definition{Name: "x", Start: 28, Bits: 12, BigEndian: true, Signed: true, Scale: 0.1, Offset: 3}, 8},
		{"little 16 of 4 bytes", Definition{Name: "x", Start: 8, Bits: 16, Scale: 0.5}, 4},
	} {
		b.Run(row.name, func(b *testing.B) {
			data := make([]byte, row.length)
			b.ReportAllocs()
			run(b, Compile(&row.d), data)
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	benchmarkCodecs(b, func(b *testing.B, c Codec, data []byte) {
		var sum float64
		for range b.N {
			value, _ := c.Decode(data)
			sum += value
		}
		sink += sum
	})
}

func BenchmarkRaw(b *testing.B) {
	benchmarkCodecs(b, func(b *testing.B, c Codec, data []byte) {
		var sum uint64
		for range b.N {
			raw, _ := c.Raw(data)
			sum += raw
		}
		sink += float64(sum)
	})
}

func BenchmarkEncode(b *testing.B) {
	benchmarkCodecs(b, func(b *testing.B, c Codec, data []byte) {
		for i := range b.N {
			c.Encode(data, float64(i&1023))
		}
	})
}

func BenchmarkPutRaw(b *testing.B) {
	benchmarkCodecs(b, func(b *testing.B, c Codec, data []byte) {
		for i := range b.N {
			c.PutRaw(data, uint64(i))
		}
	})
}
