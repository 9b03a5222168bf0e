package signal

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// trim takes the indentation off a drawing in a test.
func trim(drawing string) string {
	return strings.ReplaceAll(strings.TrimPrefix(drawing, "\n"), "\t\t", "")
}

func TestPicture(t *testing.T) {
	defs := []Definition{
		{Name: "ground speed", Unit: "km/h", Start: 7, Bits: 16, BigEndian: true, Scale: 0.01, Page: AnyPage},
		{Name: "hydraulic temperature", Unit: "°C", Start: 16, Bits: 8, Signed: true, Scale: 1, Offset: 40, Page: AnyPage},
		{Name: "work lamp", Start: 24, Bits: 1, Scale: 1, Page: AnyPage},
		{Name: "beacon", Start: 25, Bits: 1, Scale: 1, Page: AnyPage},
		{Name: "shaft turns", Unit: "1/min", Start: 28, Bits: 12, Scale: 0.25, Page: AnyPage},
	}
	require.NoError(t, CheckLayout(5, defs, nil))
	require.Equal(t, trim(`
		byte 7 6 5 4 3 2 1 0
		   0 A a a a a a a a
		   1 a a a a a a a a
		   2 B b b b b b b b
		   3 e e e e . . D C
		   4 E e e e e e e e

		   start  bits  order   form      scale  offset  unit   name
		a      7    16  big     unsigned   0.01       0  km/h   ground speed
		b     16     8  little  signed        1      40  °C     hydraulic temperature
		c     24     1  little  unsigned      1       0         work lamp
		d     25     1  little  unsigned      1       0         beacon
		e     28    12  little  unsigned   0.25       0  1/min  shaft turns
		`), Picture(5, defs, nil))
}

func TestPictureOfPages(t *testing.T) {
	sel := &Selector{Start: 0, Bits: 4}
	defs := []Definition{
		{Name: "tank level", Unit: "l", Start: 8, Bits: 12, Scale: 0.5, Page: 0},
		{Name: "spray pressure", Unit: "bar", Start: 8, Bits: 16, Scale: 0.001, Page: 1},
		{Name: "a name that is too long to stand at the end of its own line", Start: 7, Bits: 1, Scale: 1, Page: AnyPage},
	}
	require.NoError(t, CheckLayout(3, defs, sel))
	require.Equal(t, trim(`
		page 0                 page 1
		byte 7 6 5 4 3 2 1 0   byte 7 6 5 4 3 2 1 0
		   0 C . . . @ @ @ @      0 C . . . @ @ @ @
		   1 a a a a a a a a      1 b b b b b b b b
		   2 . . . . A a a a      2 B b b b b b b b

		@ page selector: start 0, 4 bits, little

		   start  bits  order   form      scale  offset  unit  page  name
		a      8    12  little  unsigned    0.5       0  l     0     tank level
		b      8    16  little  unsigned  0.001       0  bar   1     spray pressure
		c      7     1  little  unsigned      1       0        all
		   a name that is too long to stand at the end of its own line
		`), Picture(3, defs, sel))
}

func TestPictureShowsWhatIsWrong(t *testing.T) {
	defs := []Definition{
		{Name: "one", Start: 0, Bits: 4, Scale: 1, Page: AnyPage},
		{Name: "two\n", Start: 2, Bits: 4, Scale: 1, Page: AnyPage},
		{Name: "outside", Start: 6, Bits: 4, Scale: 1, Page: AnyPage},
	}
	require.Equal(t, trim(`
		byte 7 6 5 4 3 2 1 0
		   0 . . B b # # a a

		   start  bits  order   form      scale  offset  unit  name
		a      0     4  little  unsigned      1       0        one
		b      2     4  little  unsigned      1       0        two?
		c      6     4  little  unsigned      1       0        outside
		`), Picture(1, defs, nil))
	require.Equal(t, "byte 7 6 5 4 3 2 1 0\n", Picture(0, nil, nil))
}

// More signals than letters get two letters each.
func TestPictureOfManySignals(t *testing.T) {
	var defs []Definition
	for i := range 32 {
		defs = append(defs, Definition{Name: fmt.Sprint("flag ", i), Start: i, Bits: 1, Scale: 1, Page: AnyPage})
	}
	picture := Picture(4, defs, nil)
	require.Contains(t, picture, "byte  7  6  5  4  3  2  1  0\n   0 AH AG AF AE AD AC AB AA\n")
	require.Contains(t, picture, "   3 BF BE BD BC BB BA AZ AY\n")
}

// Laws: no line of usual names is longer than 80 characters, and every bit of a
// signal is drawn once on its page, or once on every page.
func TestPictureLaws(t *testing.T) {
	pictures := 300
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		pictures = 20_000
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range pictures {
		length := 1 + random.IntN(64)
		var sel *Selector
		if random.IntN(2) == 0 {
			sel = &Selector{Start: 0, Bits: 1 + random.IntN(4)}
		}
		var defs []Definition
		for i := range random.IntN(40) {
			d := Definition{
				Name: fmt.Sprint("signal ", i), Unit: "km/h", Start: random.IntN(8 * length), Bits: 1 + random.IntN(24),
				BigEndian: random.IntN(2) == 0, Scale: random.Float64() + 0.1, Offset: float64(random.IntN(1000)), Page: AnyPage,
			}
			if sel != nil && random.IntN(2) == 0 {
				d.Page = random.IntN(1 << sel.Bits)
			}
			if CheckLayout(length, append(defs, d), sel) == nil {
				defs = append(defs, d)
			}
		}
		picture := Picture(length, defs, sel)
		for _, line := range strings.Split(picture, "\n") {
			require.LessOrEqual(t, utf8.RuneCountInString(line), 80, line)
		}
		require.NotContains(t, picture, "#")
		grids, _, _ := strings.Cut(picture, "\n\n@")
		if sel == nil {
			grids, _, _ = strings.Cut(picture, "\n\n ")
		}
		drawn := map[string]int{}
		for _, word := range strings.Fields(strings.ToLower(grids)) {
			drawn[word]++
		}
		copies := max(1, drawn["page"])
		for i, letters := range signalLetters(len(defs)) {
			want := defs[i].Bits
			if sel.same(&defs[i]) {
				want = 0 // drawn as the selector
			}
			if defs[i].Page == AnyPage {
				want *= copies
			}
			require.Equal(t, want, drawn[letters], "%s in\n%s", letters, picture)
		}
	}
}
