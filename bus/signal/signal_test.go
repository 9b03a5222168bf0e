package signal

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// speed is 16 bits from bit 4 of byte 0, 0.5 km/h a step from -40.
var speed = Definition{Name: "ground speed", Unit: "km/h", Start: 4, Bits: 16, Scale: 0.5, Offset: -40, Page: AnyPage}

func TestDecodeBothByteOrders(t *testing.T) {
	data := []byte{0x12, 0x34, 0x56, 0x78}
	for _, row := range []struct {
		d    Definition
		raw  uint64
		want float64
	}{
		{Definition{Start: 8, Bits: 16, Scale: 1}, 0x5634, 0x5634},
		{Definition{Start: 15, Bits: 16, Scale: 1, BigEndian: true}, 0x3456, 0x3456},
		{Definition{Start: 4, Bits: 8, Scale: 0.5, Offset: -10}, 0x41, 0x41*0.5 - 10},
		{Definition{Start: 3, Bits: 8, Scale: 2, Offset: 1, BigEndian: true}, 0x23, 0x23*2 + 1},
		{Definition{Start: 24, Bits: 8, Scale: 1, Signed: true}, 0x78, 0x78},
		{Definition{Start: 20, Bits: 4, Scale: 1, Signed: true}, 5, 5},
		{Definition{Start: 29, Bits: 3, Scale: 1, Signed: true, BigEndian: true}, 7, -1},
	} {
		raw, ok := row.d.Raw(data)
		require.True(t, ok)
		require.Equal(t, row.raw, raw, "%+v", row.d)
		value, ok := row.d.Decode(data)
		require.True(t, ok)
		require.Equal(t, row.want, value, "%+v", row.d)
	}
}

func TestShortDataCarryNoValue(t *testing.T) {
	_, ok := speed.Decode([]byte{1, 2})
	require.False(t, ok)
	require.False(t, speed.Present(nil, []byte{1, 2}))
	require.True(t, speed.Present(nil, []byte{1, 2, 3}))
	require.Panics(t, func() { speed.Encode(make([]byte, 2), 0) })
}

func TestEncodeRoundsAndClips(t *testing.T) {
	for _, row := range []struct {
		d       Definition
		value   float64
		raw     uint64
		clipped bool
	}{
		{speed, -40, 0, false},
		{speed, 10.3, 101, false},
		{speed, -39.75, 0, false}, // half a step: to the even one
		{speed, -39.25, 2, false},
		{speed, -41, 0, true},
		{speed, 1e9, 0xFFFF, true},
		{speed, math.Inf(-1), 0, true},
		{speed, math.NaN(), 0, true},
		{Definition{Bits: 8, Signed: true, Scale: 1}, -128, 0x80, false},
		{Definition{Bits: 8, Signed: true, Scale: 1}, -129, 0x80, true},
		{Definition{Bits: 8, Signed: true, Scale: 1}, 127.4, 0x7F, false},
		{Definition{Bits: 8, Signed: true, Scale: 1}, 128, 0x7F, true},
		{Definition{Bits: 8, Scale: -2, Offset: 10}, 4, 3, false},
		{Definition{Bits: 64, Scale: 1}, math.Ldexp(1, 64), math.MaxUint64, true},
		{Definition{Bits: 64, Scale: 1}, math.Ldexp(1, 63), 1 << 63, false},
		{Definition{Bits: 64, Signed: true, Scale: 1}, -math.Ldexp(1, 63), 1 << 63, false},
		{Definition{Bits: 64, Signed: true, Scale: 1}, math.Ldexp(1, 63), math.MaxInt64, true},
		{Definition{Bits: 32, Float: true, Scale: 1}, 1.5, 0x3FC00000, false},
		{Definition{Bits: 32, Float: true, Scale: 1}, -1e300, 0xFF7FFFFF, true},
		{Definition{Bits: 32, Float: true, Scale: 1}, math.Inf(1), 0x7F800000, false},
		{Definition{Bits: 64, Float: true, Scale: 1}, -2, 0xC000000000000000, false},
		{Definition{Bits: 64, Float: true, Scale: 1e-300}, 1e300, 0x7FEFFFFFFFFFFFFF, true},
	} {
		d := row.d
		d.Name, d.Page = "x", AnyPage
		codec := Compile(&d)
		raw, clipped := d.ToRaw(row.value)
		require.Equal(t, row.raw, raw, "%+v %v", d, row.value)
		require.Equal(t, row.clipped, clipped, "%+v %v", d, row.value)
		raw, clipped = codec.ToRaw(row.value)
		require.Equal(t, row.raw, raw, "codec %+v %v", d, row.value)
		require.Equal(t, row.clipped, clipped, "codec %+v %v", d, row.value)
	}
}

func TestEncodeLeavesTheOtherBits(t *testing.T) {
	data := []byte{0xFF, 0xFF, 0xFF}
	require.False(t, speed.Encode(data, -40))
	require.Equal(t, []byte{0x0F, 0x00, 0xF0}, data)
}

func TestRanges(t *testing.T) {
	low, high := speed.Range()
	require.Equal(t, -40.0, low)
	require.Equal(t, 65535*0.5-40, high)
	require.Equal(t, 0.5, speed.Resolution())

	falling := Definition{Bits: 4, Signed: true, Scale: -1}
	low, high = falling.Range()
	require.Equal(t, [2]float64{-7, 8}, [2]float64{low, high})
	least, greatest := falling.RawRange()
	require.Equal(t, [2]float64{-8, 7}, [2]float64{least, greatest})

	float := Definition{Bits: 32, Float: true, Scale: 1}
	_, greatest = float.RawRange()
	require.Equal(t, math.MaxFloat32, greatest)
	require.Zero(t, float.Resolution())
}

func TestPages(t *testing.T) {
	sel := &Selector{Start: 0, Bits: 4}
	third := Definition{Name: "tank level", Start: 8, Bits: 8, Scale: 1, Page: 3}
	data := []byte{0xA3, 50}
	page, ok := sel.Page(data)
	require.True(t, ok)
	require.Equal(t, 3, page)
	require.True(t, third.Present(sel, data))
	require.False(t, third.Present(nil, data), "no pages, no page 3")
	require.True(t, sel.PutPage(data, 4))
	require.Equal(t, byte(0xA4), data[0])
	require.False(t, third.Present(sel, data))
	require.False(t, sel.PutPage(data, 16))
	_, ok = sel.Page(nil)
	require.False(t, ok)

	codec := CompileSelector(sel)
	raw, ok := codec.Raw(data)
	require.True(t, ok)
	require.Equal(t, uint64(4), raw)
}

func TestCheckFindsAllMistakes(t *testing.T) {
	d := Definition{Unit: "\x07", Start: 512, Bits: 65, Float: true, Scale: 0, Offset: math.NaN(), Page: -2}
	require.EqualError(t, d.Check(), `signal "": has no name
signal "": the unit "\a" holds characters that cannot be printed
signal "": start bit 512, expected 0 to 511
signal "": 65 bits, expected 1 to 64
signal "": a floating point number of 65 bits, expected 32 or 64
signal "": scale 0, expected a number other than 0
signal "": offset NaN, expected a number
signal "": page -2, expected 0 or above, or -1 for every page`)
	beyond := Definition{Name: "far", Start: 511, Bits: 2, Scale: 1}
	require.EqualError(t, beyond.Check(), `signal "far": 2 bits from start bit 511 reach beyond 64 bytes, the longest message`)
	huge := Definition{Name: "huge", Bits: 64, Scale: 1e300}
	require.EqualError(t, huge.Check(), `signal "huge": scale 1e+300 makes values too large for a floating point number`)
	require.EqualError(t, (&Selector{Start: -1, Bits: 17}).Check(), `page selector: start bit -1, expected 0 to 511
page selector: 17 bits, expected 1 to 16`)
	require.NoError(t, speed.Check())
	require.Panics(t, func() { Compile(&d) })
}

func TestCheckLayout(t *testing.T) {
	sel := &Selector{Start: 0, Bits: 2}
	good := []Definition{
		{Name: "page", Start: 0, Bits: 2, Scale: 1, Page: AnyPage}, // the selector read as a signal
		{Name: "a", Start: 8, Bits: 8, Scale: 1, Page: 0},
		{Name: "b", Start: 12, Bits: 8, Scale: 1, Page: 1}, // shares bits with a, on another page
		{Name: "c", Start: 31, Bits: 8, Scale: 1, BigEndian: true, Page: AnyPage},
	}
	require.NoError(t, CheckLayout(4, good, sel))
	twoPages := append(good[:4:4], Definition{Name: "a", Start: 20, Bits: 1, Scale: 1, Page: 1})
	require.NoError(t, CheckLayout(4, twoPages, sel), "a name on two pages")
	twoPages[4].Page = 0
	require.EqualError(t, CheckLayout(4, twoPages, sel), `signal "a": the name is there twice in one message`)

	bad := append(good,
		Definition{Name: "a", Start: 20, Bits: 1, Scale: 1, Page: 4},
		Definition{Name: "d", Start: 25, Bits: 2, Scale: 1, Page: 1},
		Definition{Name: "e", Start: 1, Bits: 2, Scale: 1, Page: 0},
		Definition{Name: "f", Start: 30, Bits: 3, Scale: 1, Page: AnyPage},
		Definition{Name: "g", Start: 15, Bits: 1, Scale: 0, Page: 1},
		Definition{Name: "h", Start: 18, Bits: 3, Scale: 1, Page: 1},
		Definition{Name: "b", Start: 22, Bits: 1, Scale: 1, Page: AnyPage},
	)
	require.EqualError(t, CheckLayout(4, bad, sel), `signal "a": page 4, but a selector of 2 bits has pages 0 to 3 only
signal "f": 3 bits little-endian from start bit 30 reach byte 4, but the message has 4 bytes (0 to 3)
signal "g": scale 0, expected a number other than 0
signal "b": the name is there twice in one message
signal "d": overlaps signal "c" in bit 1 of byte 3
signal "e": overlaps signal "page" in bit 1 of byte 0
signal "h": overlaps signal "b" in bit 2 of byte 2`)
	require.EqualError(t, CheckLayout(4, bad[6:7], sel), `signal "e": overlaps the page selector in bit 1 of byte 0`)
	require.EqualError(t, CheckLayout(4, good[1:2], nil), `signal "a": lies on page 0, but the message has no page selector`)
	require.EqualError(t, CheckLayout(0, good[3:], &Selector{Bits: 1}), `page selector: 1 bit little-endian from start bit 0 reach byte 0, but the message has no bytes
signal "c": 8 bits big-endian from start bit 31 reach byte 3, but the message has no bytes`)
	require.EqualError(t, CheckLayout(65, nil, nil), "a message of 65 bytes, expected 0 to 64")
}
