package bus

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseID(t *testing.T) {
	for text, want := range map[string]ID{
		"7E8": 0x7E8, "0x7e8": 0x7E8, "000": 0, "0X7FF": 0x7FF,
		"000007E8": Extended | 0x7E8, "0x18FEF100": Extended | 0x18FEF100, "1fffffff": Extended | 0x1FFFFFFF,
	} {
		id, err := ParseID(text)
		require.NoError(t, err, text)
		require.Equal(t, want, id, text)
		require.Equal(t, strings.ToUpper(strings.TrimPrefix(strings.ToLower(text), "0x")), id.String())
	}
}

func TestParseIDExplains(t *testing.T) {
	for text, want := range map[string]string{
		"":                        `identifier "" has no digits; expected 3 hex digits (11 bit) or 8 (29 bit), such as 7E8 or 18FEF100`,
		"0x":                      `identifier "0x" has no digits; expected 3 hex digits (11 bit) or 8 (29 bit), such as 7E8 or 18FEF100`,
		"7E":                      `identifier "7E" is 2 digits; write 11-bit identifiers with 3 digits: 07E, and 29-bit identifiers with 8 digits: 0000007E`,
		"07E8":                    `identifier "07E8" is 4 digits; write 11-bit identifiers with 3 digits: 7E8, and 29-bit identifiers with 8 digits: 000007E8`,
		"8FEF100":                 `identifier "8FEF100" is 7 digits; write 29-bit identifiers with 8 digits: 08FEF100`,
		"800":                     `identifier 800 is above 7FF, the largest of 11 bits; as a 29-bit identifier it is written with 8 digits: 00000800`,
		"20000000":                `identifier 20000000 is above 1FFFFFFF, the largest of 29 bits`,
		"018FEF100":               `identifier "018FEF100" is 9 digits; write 29-bit identifiers with 8 digits: 18FEF100`,
		"7G8":                     `identifier "7G8" holds something other than hex digits; expected 3 digits (11 bit) or 8 digits (29 bit), such as 7E8 or 18FEF100`,
		" 7E8":                    `identifier " 7E8" holds something other than hex digits; expected 3 digits (11 bit) or 8 digits (29 bit), such as 7E8 or 18FEF100`,
		strings.Repeat("1", 1000): `identifier "111111111111111111111111"... is 1000 digits; expected 3 (11 bit, up to 7FF) or 8 (29 bit, up to 1FFFFFFF)`,
	} {
		_, err := ParseID(text)
		require.EqualError(t, err, want)
	}
}

func TestNewID(t *testing.T) {
	id, err := NewID(0x7E8, true)
	require.NoError(t, err)
	require.Equal(t, "000007E8", id.String())
	require.True(t, id.IsExtended())
	require.Equal(t, uint32(0x7E8), id.Number())
	_, err = NewID(0x20000000, false)
	require.EqualError(t, err, "identifier 20000000 is above 7FF, the largest of 11 bits")
}

func TestIDAsText(t *testing.T) {
	text, err := json.Marshal(map[ID]ID{0x7E8: Extended | 1})
	require.NoError(t, err)
	require.Equal(t, `{"7E8":"00000001"}`, string(text))
	var back map[ID]ID
	require.NoError(t, json.Unmarshal(text, &back))
	require.Equal(t, map[ID]ID{0x7E8: Extended | 1}, back)
	require.Error(t, json.Unmarshal([]byte(`"7E"`), new(ID)))
}

func TestPriority(t *testing.T) {
	type sender struct {
		id     ID
		remote bool
	}
	// From the winner down (CAN specification 2.0 part B).
	order := []sender{
		{0x000, false}, {0x000, true}, {Extended | 0x00000000, false}, {Extended | 0x00000000, true}, {Extended | 0x0003FFFF, true},
		{0x001, false}, {0x7E7, false}, {0x7E8, false}, {0x7E8, true}, {Extended | 0x7E8<<18, false}, {Extended | 0x7E8<<18 | 1, false},
		{0x7FF, false}, {Extended | 0x1FFFFFFF, true},
	}
	require.True(t, slices.IsSortedFunc(order, func(a, b sender) int {
		return int(int64(a.id.Priority(a.remote)) - int64(b.id.Priority(b.remote)))
	}))
}

// The key is the arbitration field of the wire, so comparing keys is comparing
// wires bit by bit.
func TestPriorityIsTheOrderOnTheWire(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	draw := func() *Frame {
		f := &Frame{ID: ID(random.Uint32() & MaxBaseNumber), Kind: Kind(random.IntN(2))}
		if random.IntN(2) == 0 {
			f.ID = Extended | f.ID<<18 | ID(random.Uint32()&3)
		}
		return f
	}
	for range 20_000 {
		a, b := draw(), draw()
		b.ID = b.ID&Extended | a.ID&^Extended&b.ID // often close together
		if !b.ID.Valid() {
			continue
		}
		arbitration := func(f *Frame) string {
			bits, _ := f.bareBits()
			return levels(bits[1 : 1+32-map[bool]int{false: 19, true: 0}[f.ID.IsExtended()]])
		}
		onWire := strings.Compare(arbitration(a), arbitration(b))
		byKey := 0
		if ka, kb := a.ID.Priority(a.Kind == Remote), b.ID.Priority(b.Kind == Remote); ka != kb {
			byKey = map[bool]int{true: -1, false: 1}[ka < kb]
		}
		require.Equal(t, onWire, byKey, "%v %v, %v %v", a.ID, a.Kind, b.ID, b.Kind)
	}
}

// Laws: what parses prints as text that parses to the same; nothing else than 3
// or 8 hex digits parses.
func FuzzParseID(f *testing.F) {
	for _, text := range []string{"7E8", "0x18FEF100", "800", "20000000", "7e", "", "0X", "0x0x1", "７E8"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		id, err := ParseID(text)
		if err != nil {
			require.Less(t, len(err.Error()), 400)
			return
		}
		require.True(t, id.Valid())
		again, err := ParseID(id.String())
		require.NoError(t, err)
		require.Equal(t, id, again)
		require.True(t, strings.HasSuffix(strings.ToUpper(text), id.String()))
	})
}

func TestTable(t *testing.T) {
	table := NewTable(0x7E8, Extended|0x7E8, 0x000, Extended|0)
	for index, id := range []ID{0x7E8, Extended | 0x7E8, 0x000, Extended | 0} {
		got, ok := table.Lookup(id)
		require.True(t, ok)
		require.Equal(t, index, got)
		require.Equal(t, id, table.ID(index))
	}
	for _, id := range []ID{0x7E9, Extended | 0x7E9, 0x800, 0x7FFFFFFF} {
		_, ok := table.Lookup(id)
		require.False(t, ok, id)
	}
	require.Equal(t, 1, table.Add(Extended|0x7E8), "known already")
	require.Equal(t, 4, table.Add(0x123))
	require.Panics(t, func() { table.Add(0x800) })
	_, ok := new(Table).Lookup(Extended | 5)
	require.False(t, ok)
}

func TestTableEqualsMap(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	table, model := NewTable(), map[ID]int{}
	for range 30_000 {
		f := randomFrame(random)
		if random.IntN(4) == 0 {
			f.ID = Extended | ID(random.IntN(300))<<8
		}
		want, known := model[f.ID]
		got, ok := table.Lookup(f.ID)
		require.Equal(t, known, ok)
		if known {
			require.Equal(t, want, got)
		}
		if random.IntN(2) == 0 {
			if !known {
				model[f.ID] = len(model)
			}
			require.Equal(t, model[f.ID], table.Add(f.ID))
		}
	}
	require.Equal(t, len(model), table.Len())
}

var sinkIndex int

func BenchmarkTableLookup(b *testing.B) {
	for _, c := range []struct {
		name string
		bit  ID
	}{{"11 bit", 0}, {"29 bit", Extended}} {
		b.Run(c.name, func(b *testing.B) {
			table := NewTable()
			ids := make([]ID, 256)
			for i := range ids {
				ids[i] = c.bit | ID(i*7)
				if c.bit != 0 {
					ids[i] = c.bit | 0x18F00000 | ID(i*7)<<8
				}
				if i%2 == 0 {
					table.Add(ids[i])
				}
			}
			b.ReportAllocs()
			for i := range b.N {
				sinkIndex, _ = table.Lookup(ids[i&255])
			}
		})
	}
}
