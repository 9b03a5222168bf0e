package mask

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

func TestParseIDs(t *testing.T) {
	ids, err := ParseIDs(" 120, 0x18FEF100,200-203")
	require.NoError(t, err)
	require.Equal(t, []bus.ID{0x120, bus.Extended | 0x18FEF100, 0x200, 0x201, 0x202, 0x203}, ids)
	_, err = ParseIDs("120,12,120,210-200,7FF-800,,11F-121")
	require.EqualError(t, err, strings.Join([]string{
		`item 2: identifier "12" is 2 digits; write 11-bit identifiers with 3 digits: 012, and 29-bit identifiers with 8 digits: 00000012`,
		"item 3: 120 stands in item 1 already",
		"item 4: 210-200 is no range that runs upwards within one width, such as 200-20F",
		"item 5: identifier 800 is above 7FF, the largest of 11 bits; as a 29-bit identifier it is written with 8 digits: 00000800",
		`item 6: identifier "" has no digits; expected 3 hex digits (11 bit) or 8 (29 bit), such as 7E8 or 18FEF100`,
		"item 7: 120 stands in item 1 already",
	}, "\n"))
	_, err = ParseIDs("00000000-1FFFFFFF")
	require.EqualError(t, err, "item 1: more than 4096 identifiers")
	_, err = ParseIDs("  ")
	require.EqualError(t, err, "no identifiers, expected a list such as 120,18FEF100,200-20F")
}

// FuzzParseIDs: what is read is a set of valid identifiers that reads back as
// itself; everything else is an error with a place.
func FuzzParseIDs(f *testing.F) {
	for _, seed := range []string{"", "120", "120,18FEF100", "200-20F,7ff", "0x1,", "00000000-1FFFFFFF", "7FF-00000000", "120,120", "\xff", "-", ",,,"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		ids, err := ParseIDs(text)
		if err != nil {
			if ids != nil || !strings.Contains(err.Error(), "item ") && strings.TrimSpace(text) != "" {
				t.Fatalf("%v with %v", err, ids)
			}
			return
		}
		var names []string
		for _, id := range ids {
			if !id.Valid() {
				t.Fatalf("%s is not valid", id)
			}
			names = append(names, id.String())
		}
		again, err := ParseIDs(strings.Join(names, ","))
		if err != nil || !slices.Equal(ids, again) {
			t.Fatalf("%v reads back as %v: %v", ids, again, err)
		}
	})
}

// FuzzNew: any words make a program of the shape, which decides about any frame,
// or an error.
func FuzzNew(f *testing.F) {
	f.Add("two-masks", []byte{1, 2, 3, 4}, uint32(0x120), true)
	f.Add("elements-2-1", []byte{0, 0, 0, 0x2B, 0x1F, 0xFF, 0xFF, 0xFF, 0, 0, 1, 1}, uint32(0x98FEF100), false)
	f.Add("banks-1", make([]byte, 20), uint32(5), false)
	f.Fuzz(func(t *testing.T, name string, raw []byte, id uint32, remote bool) {
		s, err := ParseShape(name)
		if err != nil {
			return
		}
		var words []uint32
		for chunk := range slices.Chunk(raw, 4) {
			w := uint32(0)
			for _, b := range chunk {
				w = w<<8 | uint32(b)
			}
			words = append(words, w)
		}
		p, err := New(s, words)
		if err != nil {
			return
		}
		frame := bus.Frame{ID: bus.ID(id) & (bus.Extended | bus.MaxExtendedNumber)}
		if !frame.ID.IsExtended() {
			frame.ID &= bus.MaxBaseNumber
		}
		if remote {
			frame.Kind = bus.Remote
		}
		if _, ok := p.Match(&frame); ok != p.Accepts(&frame) || !slices.Equal(values(p), words) {
			t.Fatalf("%s %08X", name, words)
		}
	})
}
