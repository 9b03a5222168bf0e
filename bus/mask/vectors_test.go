package mask

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

func shape(t testing.TB, name string) Shape {
	t.Helper()
	s, err := ParseShape(name)
	require.NoError(t, err)
	require.Equal(t, name, s.String())
	return s
}

func program(t testing.TB, name string, words ...uint32) *Program {
	t.Helper()
	p, err := New(shape(t, name), words)
	require.NoError(t, err)
	return p
}

// sweep lists all base identifiers that pass, data frames of 8 bytes and remote
// frames, the latter with an r behind them.
func sweep(p *Program) (out []string) {
	for id := range bus.ID(2048) {
		if p.Accepts(&bus.Frame{ID: id, Length: 8, Data: [64]byte{0xA5, 0x3C}}) {
			out = append(out, id.String())
		}
		if p.Accepts(&bus.Frame{ID: id, Kind: bus.Remote}) {
			out = append(out, id.String()+"r")
		}
	}
	return out
}

func bothKinds(ids ...string) (out []string) {
	for _, id := range ids {
		out = append(out, id, id+"r")
	}
	return out
}

func values(p *Program) (out []uint32) {
	for _, w := range p.Words() {
		out = append(out, w.Value)
	}
	return out
}

// Four identifiers in one code need the 11-bit mask 00D (controller chapter of a
// microcontroller manual) and then really admit eight (recomputed).
func TestOneCodeOverFourIdentifiers(t *testing.T) {
	eight := []string{"5A0", "5A1", "5A4", "5A5", "5A8", "5A9", "5AC", "5AD"}
	require.Equal(t, bothKinds(eight...), sweep(program(t, "one-code-single", 0xB4000000, 0x01BFFFFF)), "remote bit ignored")

	a, err := Solve(shape(t, "one-code-single"), []bus.ID{0x5A0, 0x5A1, 0x5A4, 0x5A8}, nil, 0)
	require.NoError(t, err)
	require.Equal(t, []uint32{0xB4000000, 0x01AFFFFF}, values(a.Program), "the same with the remote bit compared")
	require.Equal(t, eight, sweep(a.Program))
	require.Equal(t, []any{4.0, Optimal, 4.0}, []any{a.Unwanted, a.Proof, a.Bound})
}

// Two filters hold a pair exactly (recomputed from the bit layout of a controller
// user's guide).
func TestDualHoldsAPairExactly(t *testing.T) {
	a, err := Solve(shape(t, "one-code-dual"), []bus.ID{0x100, 0x200}, nil, 0)
	require.NoError(t, err)
	require.Equal(t, []uint32{0x20004000, 0x000F000F}, values(a.Program))
	require.Equal(t, []string{"100", "200"}, sweep(a.Program))
	require.Equal(t, []Pass{{0x100, "code, upper half"}, {0x200, "code, lower half"}}, a.Passes)
}

// The truth table of a mask bit, and the example of a module manual: with the two
// low mask bits clear and code 0 the identifiers 0 to 3 pass.
func TestTwoMasksTruthTable(t *testing.T) {
	const all = 0xFFE00000
	none := uint32(0x7FF << 21)
	p := program(t, "two-masks", all&^(3<<21), 0, 0, all, none, none, none, none)
	require.Equal(t, bothKinds("000", "001", "002", "003", "7FF"), sweep(p))
	for _, x := range []struct{ mask, code, bit, passes uint32 }{
		{0, 0, 0, 1}, {0, 0, 1, 1}, {0, 1, 0, 1}, {0, 1, 1, 1},
		{1, 0, 0, 1}, {1, 0, 1, 0}, {1, 1, 0, 0}, {1, 1, 1, 1},
	} {
		code := x.code << 21
		p := program(t, "two-masks", x.mask<<21, code, code, all, none, none, none, none)
		require.Equal(t, x.passes == 1, p.Accepts(&bus.Frame{ID: bus.ID(x.bit)}), "%+v", x)
	}
}

// The lowest code that matches is the one that counts, and the width is always
// compared; the extended bits of a code meet the data of base frames (data sheet
// of a stand-alone controller).
func TestTwoMasksDetails(t *testing.T) {
	const all = 0xFFE3FFFF
	code := uint32(0x123<<21 | 0xAB<<8 | 0xCD)
	p := program(t, "two-masks", all, code, code, 0xFFE00000, code, code, code, code)
	for _, x := range []struct {
		frame bus.Frame
		by    string
	}{
		{bus.Frame{ID: 0x123, Length: 2, Data: [64]byte{0xAB, 0xCD}}, "code 0"},
		{bus.Frame{ID: 0x123, Length: 2, Data: [64]byte{0xAB, 0xCE}}, "code 2"},
		{bus.Frame{ID: 0x123, Length: 1, Data: [64]byte{0xAB, 0xCE}}, "code 0"}, // bytes it does not have are not compared
		{bus.Frame{ID: 0x124, Length: 2, Data: [64]byte{0xAB, 0xCD}}, ""},
		{bus.Frame{ID: bus.Extended | 0x123<<18 | 0xABCD, Length: 2}, ""},
	} {
		by, _ := p.Match(&x.frame)
		require.Equal(t, x.by, by, "%+v", x.frame.ID)
	}
}

// The words of the banks (register layout of a controller reference manual).
func TestBankWords(t *testing.T) {
	base, _, _ := view32.word(&bus.Frame{ID: 0x123})
	short, _, _ := view16.word(&bus.Frame{ID: 0x123})
	extended, _, _ := view32.word(&bus.Frame{ID: bus.Extended | 0x18FEF100})
	require.Equal(t, "24600000 2460 C7F78804", fmt.Sprintf("%08X %04X %08X", base, short, extended))

	// 14 banks: 56 identifiers of 11 bits, or 28 of 29 (arithmetic recomputed).
	for _, x := range []struct {
		extended bus.ID
		holds    int
	}{{0, 56}, {bus.Extended, 28}} {
		var ids []bus.ID
		for i := range bus.ID(x.holds + 1) {
			ids = append(ids, x.extended|i*33+5)
		}
		a, err := Solve(shape(t, "banks-14"), ids[:x.holds], nil, 1_000_000)
		require.NoError(t, err)
		require.Equal(t, Exact, a.Proof)
		a, err = Solve(shape(t, "banks-14"), ids, nil, 1_000_000)
		require.NoError(t, err)
		require.NotEqual(t, Exact, a.Proof)
	}
}

// Priority of the reported match: 32 before 16 bits, identifiers before masks,
// then the lower number.
func TestBankPriority(t *testing.T) {
	id32, id16 := uint32(0x123<<21), uint32(0x123<<5)
	words := []uint32{0xF, 0xC, 0xA,
		id16 | 0xFFF8<<16, id16 | 0xFFF8<<16, // 16-bit masks
		id16 | id16<<16, id16 | id16<<16, // 16-bit identifiers
		id32, 0xFFE00006, // a 32-bit mask
		id32, id32} // 32-bit identifiers
	for _, want := range []string{"bank 3, identifier 0", "bank 2, mask", "bank 1, identifier 0", "bank 0, mask 0"} {
		by, ok := program(t, "banks-4", words...).Match(&bus.Frame{ID: 0x123})
		require.True(t, ok)
		require.Equal(t, want, by)
		words[0] >>= 1 // the highest bank goes
	}
}

// The first element that matches decides: a rejecting one before a range punches
// a hole, one behind it does nothing.
func TestElementOrder(t *testing.T) {
	hole := baseElement(elementPair, actionReject, 0x102, 0x102)
	row := baseElement(elementRange, 1, 0x100, 0x104)
	const rules = 0x2B // remote frames and what no element matches: turned away
	require.Equal(t, []string{"100", "101", "103", "104"}, sweep(program(t, "elements-4-4", rules, 0x1FFFFFFF, 2, hole, row)))
	require.Equal(t, []string{"100", "101", "102", "103", "104"}, sweep(program(t, "elements-4-4", rules, 0x1FFFFFFF, 2, row, hole)))
	require.Len(t, sweep(program(t, "elements-4-4", 0, 0x1FFFFFFF, 1, hole)), 4096-2, "the rule for the rest takes everything")
	exact := baseElement(elementMask, 1, 0x123, 0x7FF)
	require.Equal(t, []string{"123"}, sweep(program(t, "elements-1-0", rules, 0, 1, exact)))
	all := baseElement(elementMask, 1, 0x123, 0)
	require.Len(t, sweep(program(t, "elements-1-0", rules, 0, 1, all)), 2048)
}

// Extended elements meet the identifier behind the extended mask, but for one
// type of range.
func TestExtendedElements(t *testing.T) {
	row := extendedElement(elementRange, 1, 0x100, 0x1FF)
	bare := extendedElement(elementOff, 1, 0x100, 0x1FF)
	frame := &bus.Frame{ID: bus.Extended | 0x1F000180}
	require.True(t, program(t, "elements-0-1", 0x2B, 0xFFFF, 1<<8, row[0], row[1]).Accepts(frame))
	require.False(t, program(t, "elements-0-1", 0x2B, 0xFFFF, 1<<8, bare[0], bare[1]).Accepts(frame))
	require.False(t, program(t, "elements-0-1", 0x2B, 0x1FFFFFFF, 1<<8, row[0], row[1]).Accepts(frame))
}

// What a shape cannot do is said in so many words.
func TestImpossibleWishes(t *testing.T) {
	for _, x := range []struct {
		shape, ids, want string
	}{
		{"one-code-8", "120,18FEF100", "18FEF100 has 29 bits, and one-code-8 receives identifiers of 11 bits only"},
		{"elements-28-0", "18FEF100", "18FEF100 has 29 bits, and elements-28-0 receives identifiers of 11 bits only"},
		{"elements-0-8", "120", "120 has 11 bits, and elements-0-8 receives identifiers of 29 bits only"},
	} {
		ids, err := ParseIDs(x.ids)
		require.NoError(t, err)
		_, err = Solve(shape(t, x.shape), ids, nil, 0)
		require.EqualError(t, err, x.want)
	}
	_, err := Solve(shape(t, "two-masks"), nil, nil, 0)
	require.EqualError(t, err, "no identifiers to let pass: a controller cannot be told to receive nothing by its masks")
	_, err = Solve(shape(t, "two-masks"), []bus.ID{0x120, 0x121, 0x120}, nil, 0)
	require.EqualError(t, err, "120 is wanted twice, as identifiers 1 and 3 of the set")
	a, err := Solve(shape(t, "one-code-8"), []bus.ID{0x120}, nil, 0)
	require.NoError(t, err)
	require.Equal(t, "optimal: no setting of one-code-8 lets less of it through", a.Note)
	require.Equal(t, "no single identifier", a.Program.Shape().Holds())

	for text, want := range map[string]string{
		"two-mask": `unknown shape "two-mask", expected one-code, one-code-single, one-code-dual, one-code-8, two-masks, banks-N, elements-N-M: did you mean two-masks?`,
		"banks-29": "shape banks-29 has 29 banks, expected 1 to 28", "banks-0": "shape banks-0 has 0 banks, expected 1 to 28",
		"elements-0-0": "shape elements-0-0: expected up to 128 base and 64 extended elements, and at least one",
	} {
		_, err := ParseShape(text)
		require.EqualError(t, err, want)
	}
}

// Words that no register of the shape can hold.
func TestImpossibleWords(t *testing.T) {
	for _, x := range []struct {
		shape, want string
		words       []uint32
	}{
		{"one-code", "with given words say how the code is used: one-code-single or one-code-dual", []uint32{0, 0}},
		{"one-code-dual", "1 words, expected 2: code, mask", []uint32{0}},
		{"one-code-8", "word 2: 100 does not fit 8 bits", []uint32{0, 256}},
		{"banks-1", "word 1, active: 2 has bits beyond the 1 banks", []uint32{2, 0, 0, 0, 0}},
		{"elements-1-1", "word 3, list sizes: 2 stands for 2 base and 0 extended elements, the shape has 1 and 1", []uint32{0, 0, 2, 0, 0}},
		{"elements-1-1", "word 2, extended mask: FFFFFFFF is above 1FFFFFFF", []uint32{0, 0xFFFFFFFF, 0}},
	} {
		_, err := New(shape(t, x.shape), x.words)
		require.EqualError(t, err, x.want)
	}
}
