package mask

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

func sizes(long, short int) int {
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		return long
	}
	return short
}

// agree compares two rows of bits, dots standing for bits that do not count; care
// has a 1 where they must agree.
func agree(frame, code, care string) bool {
	for i := range frame {
		if frame[i] != '.' && care[i] == '1' && frame[i] != code[i] {
			return false
		}
	}
	return true
}

func rowsOf(words []uint32) (out []string) {
	for _, w := range words {
		out = append(out, row(w, 32))
	}
	return out
}

func row(w uint32, bits int) string { return fmt.Sprintf("%0*b", bits, w) }

func flipped(s string) string { return strings.NewReplacer("0", "1", "1", "0").Replace(s) }

// read says whether a base frame passes, from the words alone: a second reading
// of the register layouts, character by character.
func read(s Shape, words []uint32, rows []string, id uint32, remote bool, data [2]byte) bool {
	number, rtr, one, two := row(id, 11), "0", row(uint32(data[0]), 8), row(uint32(data[1]), 8)
	if remote {
		rtr, one, two = "1", "........", "........"
	}
	word := func(i int) string { return rows[i] }
	any := func(frame string, care string, codes ...int) bool {
		return slices.ContainsFunc(codes, func(i int) bool { return agree(frame, word(i), care) })
	}
	switch s.family {
	case single:
		return any(number+rtr+"...."+one+two, flipped(word(1)), 0)
	case dual:
		return any(number+rtr+one[:4]+"............"+one[4:], flipped(word(1)), 0) ||
			any("................"+number+rtr+"....", flipped(word(1)), 0)
	case eightBit:
		return agree(number[:8], row(words[0], 8), flipped(row(words[1], 8)))
	case twoMasks:
		frame := number + "." + "0" + "." + ".." + one + two
		width := func(i int) string { m := word(i); return m[:12] + "1" + m[13:] }
		return any(frame, width(0), 1, 2) || any(frame, width(3), 4, 5, 6, 7)
	case banks:
		return readBanks(s, words, rows, number, rtr)
	}
	if remote && words[0]>>1&1 == 1 {
		return false
	}
	for _, w := range words[3 : 3+words[2]&0xFF] {
		a, b := w>>16&0x7FF, w&0x7FF
		hit := []bool{a <= id && id <= b, id == a || id == b, agree(number, row(a, 11), row(b, 11)), false}[w>>30]
		if hit && w>>27&7 != 0 {
			return w>>27&7 != 3
		}
	}
	return words[0]>>4&3 < 2
}

func readBanks(s Shape, words []uint32, rows []string, number, rtr string) bool {
	long := number + strings.Repeat(".", 18) + "0" + rtr + "."
	short := number + rtr + "0..."
	all := strings.Repeat("1", 32)
	for i := range s.first {
		a, b := rows[3+2*i], rows[4+2*i]
		passes := false
		switch scale, mode := words[1]>>i&1, words[2]>>i&1; {
		case words[0]>>i&1 == 0:
		case scale == 1 && mode == 1:
			passes = agree(long, a, all) || agree(long, b, all)
		case scale == 1:
			passes = agree(long, a, b)
		case mode == 1:
			for _, w := range []string{a[16:], a[:16], b[16:], b[:16]} {
				passes = passes || agree(short, w, all)
			}
		default:
			passes = agree(short, a[16:], a[:16]) || agree(short, b[16:], b[:16])
		}
		if passes {
			return true
		}
	}
	return false
}

var allShapes = []string{"one-code-single", "one-code-dual", "one-code-8", "two-masks", "banks-1", "banks-3", "banks-14", "elements-3-0", "elements-128-64"}

// The set that the search says it lets through is the one that passes by the
// registers, over all identifiers with and without the remote bit; and whatever
// is wanted passes, with any data.
func TestSweep(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 1))
	for n := range sizes(500, 60) {
		wanted := randomSet(dice, 1+dice.IntN(20), 2048)
		s := shape(t, allShapes[n%len(allShapes)])
		for _, name := range allShapes {
			if os.Getenv("STALEGAUGE_LONG") == "1" || n < 3 {
				s = shape(t, name)
			}
			checkSweep(t, dice, s, wanted)
		}
	}
}

func checkSweep(t *testing.T, dice *rand.Rand, s Shape, wanted []bus.ID) {
	a, err := Solve(s, wanted, nil, 300_000)
	require.NoError(t, err)
	passes := map[bus.ID]bool{}
	for _, l := range a.Leaks {
		passes[l.ID] = true
	}
	require.Equal(t, float64(len(passes)), a.Unwanted)
	require.LessOrEqual(t, a.Bound, a.Unwanted)
	for _, id := range wanted {
		passes[id] = true
	}
	words := values(a.Program)
	rows := rowsOf(words)
	for id := range bus.ID(2048) {
		data := [2]byte{byte(dice.Uint32()), byte(dice.Uint32())}
		f := bus.Frame{ID: id, Length: 8, Data: [64]byte{data[0], data[1]}}
		if passes[id] != read(s, words, rows, uint32(id), false, data) || passes[id] != a.Program.Accepts(&f) {
			t.Fatalf("%s of %v: %s computed %t", s, wanted, id, passes[id])
		}
		f = bus.Frame{ID: id, Kind: bus.Remote}
		if have := a.Program.Accepts(&f); have != read(s, words, rows, uint32(id), true, data) {
			t.Fatalf("%s of %v: remote frame %s: %t", s, wanted, id, have)
		}
	}
}

func randomSet(dice *rand.Rand, n, below int) (ids []bus.ID) {
	for _, i := range dice.Perm(below)[:n] {
		ids = append(ids, bus.ID(i))
	}
	return ids
}

// Any words mean the same to the program and to the second reading.
func TestRandomWords(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 2))
	for range sizes(400, 40) {
		for _, name := range allShapes {
			s := shape(t, name)
			words := make([]uint32, map[family]int{single: 2, dual: 2, eightBit: 2, twoMasks: 8}[s.family]+3+2*s.first)
			for i := range words {
				words[i] = dice.Uint32()
			}
			switch s.family {
			case single, dual, eightBit:
				words = words[:2]
			case twoMasks:
				words = words[:8]
			case banks:
				for i := range 3 {
					words[i] &= 1<<s.first - 1
				}
			default:
				words = words[:3+min(s.first, 9)]
				words[0], words[1], words[2] = words[0]&0x3F, words[1]&0x1FFFFFFF, uint32(len(words)-3)
				for i := range words[3:] { // leave out what stores in a buffer of its own
					words[3+i] &^= 1 << 29
				}
			}
			if s.family == eightBit {
				words[0], words[1] = words[0]&0xFF, words[1]&0xFF
			}
			p := program(t, name, words...)
			for range 300 {
				f := bus.Frame{ID: bus.ID(dice.IntN(2048)), Length: 2, Data: [64]byte{byte(dice.Uint32()), byte(dice.Uint32())}}
				if dice.IntN(3) == 0 {
					f.Kind = bus.Remote
				}
				want := read(s, words, rowsOf(words), uint32(f.ID), f.Kind == bus.Remote, [2]byte{f.Data[0], f.Data[1]})
				require.Equal(t, want, p.Accepts(&f), "%s %08X %+v", name, words, f.ID)
			}
		}
	}
}
