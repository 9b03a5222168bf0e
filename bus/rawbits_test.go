package bus

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// walkField is the definition of a field, bit by bit: where each of its bits
// lies, from the least to the most significant.
func walkField(start, width int, bigEndian bool) (places []int) {
	at := start
	for range width {
		places = append(places, at)
		switch {
		case !bigEndian:
			at++
		case at&7 == 0:
			at += 15 // on to the top of the next byte
		default:
			at--
		}
	}
	if bigEndian {
		for i, j := 0, len(places)-1; i < j; i, j = i+1, j-1 {
			places[i], places[j] = places[j], places[i]
		}
	}
	return places
}

func TestReadField(t *testing.T) {
	data := []byte{0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0}
	for _, row := range []struct {
		start, width int
		bigEndian    bool
		want         uint64
	}{
		{0, 8, false, 0x12}, {7, 8, true, 0x12},
		{0, 16, false, 0x3412}, {7, 16, true, 0x1234},
		{4, 12, false, 0x341}, {3, 12, true, 0x234},
		{0, 64, false, 0xF0DEBC9A78563412}, {7, 64, true, 0x123456789ABCDEF0},
		{63, 1, false, 1}, {63, 1, true, 1}, {59, 1, true, 0},
	} {
		got, ok := ReadField(data, row.start, row.width, row.bigEndian)
		require.True(t, ok)
		require.Equal(t, row.want, got, "%+v", row)
	}
	for _, outside := range [][2]int{{-1, 1}, {64, 1}, {63, 2}, {0, 0}, {0, 65}, {1, 64}, {1 << 40, 1}} {
		_, ok := ReadField(data, outside[0], outside[1], false)
		require.False(t, ok, outside)
		require.False(t, WriteField(data, outside[0], outside[1], false, 0), outside)
	}
}

// Every field of a message of 12 bytes against its definition bit by bit.
func TestFieldsBitByBit(t *testing.T) {
	const length = 12
	pattern := []byte{0xA5, 0x3C, 0x0F, 0x99, 0x81, 0x7E, 0xE7, 0x18, 0x5A, 0xC3, 0x24, 0xDB}
	for _, bigEndian := range []bool{false, true} {
		for start := range 8 * length {
			for width := 1; width <= 64; width++ {
				places := walkField(start, width, bigEndian)
				inside := true
				var want uint64
				for i, at := range places {
					if at >= 8*length {
						inside = false
						break
					}
					want |= uint64(pattern[at>>3]>>(at&7)&1) << i
				}
				require.Equal(t, inside, FieldInside(length, start, width, bigEndian), "%d %d %v", start, width, bigEndian)
				if !inside {
					continue
				}
				got, ok := ReadField(pattern, start, width, bigEndian)
				require.True(t, ok)
				require.Equal(t, want, got, "%d %d %v", start, width, bigEndian)

				data := append([]byte(nil), pattern...)
				require.True(t, WriteField(data, start, width, bigEndian, ^want))
				changed := append([]byte(nil), pattern...)
				for _, at := range places {
					changed[at>>3] ^= 1 << (at & 7)
				}
				require.Equal(t, changed, data, "%d %d %v", start, width, bigEndian)
			}
		}
	}
}

func TestFramesSource(t *testing.T) {
	source := NewFrames(Frame{ID: 1}, Frame{ID: 2})
	var f Frame
	for range 2 {
		require.True(t, source.Next(&f))
		require.Equal(t, ID(1), f.ID)
		require.True(t, source.Next(&f))
		require.Equal(t, ID(2), f.ID)
		require.False(t, source.Next(&f))
		source.Rewind()
	}
}

func BenchmarkReadField(b *testing.B) {
	data := make([]byte, 8)
	b.ReportAllocs()
	for i := range b.N {
		data[0] = byte(i)
		raw, _ := ReadField(data, 12, 12, true)
		sinkIndex += int(raw)
	}
}
