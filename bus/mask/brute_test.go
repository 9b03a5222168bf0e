package mask

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// The small cases lie in 16 identifiers that differ in their low 4 bits; whatever
// else a mask compares is the same for all of them. So a mask is one of 16 and a
// set of identifiers the bits of a number.
const low = 4

type small struct {
	wanted uint32
	weight [1 << low]int64
}

// covers[mask] lists, for a 4-bit mask whose ones compare, the set that each code
// accepts, every set once.
func codes(mask int) (out []uint32) {
	for code := range 1 << low {
		if code&^mask != 0 {
			continue
		}
		set := uint32(0)
		for id := range 1 << low {
			if (id^code)&mask == 0 {
				set |= 1 << id
			}
		}
		out = append(out, set)
	}
	return out
}

func (s *small) cost(passes uint32) int64 {
	if passes&s.wanted != s.wanted {
		return math.MaxInt64
	}
	sum := int64(0)
	for id, w := range s.weight {
		if passes&^s.wanted>>id&1 == 1 {
			sum += w
		}
	}
	return sum
}

// unions lists what up to n codes of one mask accept together, as far as each is
// of use.
func (s *small) unions(n int, sets []uint32) []uint32 {
	out := []uint32{0}
	for range n {
		for _, have := range slices.Clone(out) {
			for _, set := range sets {
				if set&s.wanted&^have != 0 && !slices.Contains(out, have|set) {
					out = append(out, have|set)
				}
			}
		}
	}
	return out
}

// masks lists what one mask over up to n codes accepts.
func (s *small) masks(n int) (out []uint32) {
	for mask := range 1 << low {
		out = append(out, s.unions(n, codes(mask))...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// least is the cheapest way to join one of each.
func (s *small) least(choices ...[]uint32) int64 {
	have := []uint32{0}
	for _, choice := range choices {
		var next []uint32
		for _, a := range have {
			for _, b := range choice {
				next = append(next, a|b)
			}
		}
		slices.Sort(next)
		have = slices.Compact(next)
	}
	least := int64(math.MaxInt64)
	for _, set := range have {
		least = min(least, s.cost(set))
	}
	return least
}

// exactly lists what up to n list entries accept.
func (s *small) exactly(n int) []uint32 { return s.unions(n, codes(1<<low-1)) }

func (s *small) brute(shape string) int64 {
	switch shape {
	case "one-code-single":
		return s.least(s.masks(1))
	case "one-code-dual", "one-code":
		return s.least(s.masks(1), s.masks(1))
	case "two-masks":
		return s.least(s.masks(2), s.masks(4))
	}
	// A bank: four identifiers, or two masks. What else there is does no better
	// with base identifiers.
	bank := append(s.exactly(4), s.both(s.masks(1), s.masks(1))...)
	if shape == "banks-1" {
		return s.least(bank)
	}
	return s.least(bank, bank)
}

func (s *small) both(a, b []uint32) (out []uint32) {
	for _, x := range a {
		for _, y := range b {
			out = append(out, x|y)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func randomSmall(dice *rand.Rand, most int) (s small, wanted []bus.ID, traffic []Flow) {
	for _, id := range dice.Perm(1 << low)[:1+dice.IntN(most)] {
		s.wanted |= 1 << id
		wanted = append(wanted, bus.ID(0x400+id))
	}
	for id := range s.weight {
		if dice.IntN(3) > 0 {
			s.weight[id] = int64(1+dice.IntN(100)) * 1e6
			traffic = append(traffic, Flow{ID: bus.ID(0x400 + id), PerSecond: float64(s.weight[id]) / 1e6})
		}
	}
	return s, wanted, traffic
}

// On small cases trying every mask with every choice of codes finds nothing
// better, and the search says that it is sure.
func TestBruteForceFindsNothingBetter(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 3))
	for range sizes(300, 25) {
		for _, name := range []string{"one-code-single", "one-code-dual", "one-code", "two-masks", "banks-1", "banks-2"} {
			s, wanted, traffic := randomSmall(dice, 9)
			a, err := Solve(shape(t, name), wanted, traffic, 0)
			require.NoError(t, err)
			require.Equal(t, float64(s.brute(name))/1e6, a.Unwanted, "%s of %v among %v", name, wanted, traffic)
			require.NotEqual(t, Bounded, a.Proof)
			require.Equal(t, a.Unwanted, a.Bound)
		}
	}
}

// bruteLists is the least that any list of up to n ranges and pairs, accepting or
// rejecting in any order, lets through. accepted and decided are what the
// elements so far have settled.
func (s *small) bruteLists(n int, accepted, decided uint32, all []uint32) int64 {
	least := s.cost(accepted)
	if n == 0 {
		return least
	}
	for _, set := range all {
		fresh := set &^ decided
		if fresh == 0 {
			continue
		}
		least = min(least, s.bruteLists(n-1, accepted|fresh, decided|fresh, all))
		if fresh&s.wanted == 0 {
			least = min(least, s.bruteLists(n-1, accepted, decided|fresh, all))
		}
	}
	return least
}

func TestBruteForceOfLists(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 4))
	for range sizes(40, 6) {
		s, wanted, traffic := randomSmall(dice, 7)
		var all []uint32
		for a := range 1 << low {
			for b := a; b < 1<<low; b++ {
				all = append(all, 1<<a|1<<b, 1<<(b+1)-1<<a)
			}
		}
		slices.Sort(all)
		all = slices.Compact(all)
		a, err := Solve(shape(t, "elements-3-0"), wanted, traffic, 0)
		require.NoError(t, err)
		require.LessOrEqual(t, a.Unwanted, float64(s.bruteLists(3, 0, 0, all))/1e6, "%v among %v", wanted, traffic)
		require.LessOrEqual(t, len(a.Program.Words()), 3+3)
	}
}

// For a large set the search says how far it can be from the best, and the bound
// holds: it is not above what the same set costs with far more work.
func TestBoundHolds(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 5))
	for range sizes(20, 4) {
		wanted := randomSet(dice, 40, 2048)
		var traffic []Flow
		for _, id := range dice.Perm(2048)[:150] {
			traffic = append(traffic, Flow{ID: bus.ID(id), PerSecond: []float64{1, 2, 5, 10, 20, 50, 100}[dice.IntN(7)]})
		}
		for _, name := range []string{"one-code-dual", "two-masks", "banks-4"} {
			quick, err := Solve(shape(t, name), wanted, traffic, 100_000)
			require.NoError(t, err)
			long, err := Solve(shape(t, name), wanted, traffic, 10_000_000)
			require.NoError(t, err)
			require.LessOrEqual(t, quick.Bound, long.Unwanted)
			require.LessOrEqual(t, long.Bound, long.Unwanted)
			require.LessOrEqual(t, long.Unwanted, quick.Unwanted)
		}
	}
}

// Sets of 29 bits and of both widths: whatever is wanted passes with any data,
// nothing passes that the answer does not list, and the same question has the
// same answer.
func TestWidthsAndRepetition(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 6))
	for range sizes(200, 20) {
		var wanted []bus.ID
		var traffic []Flow
		seen := map[bus.ID]bool{}
		for i := range 60 {
			id := bus.ID(dice.IntN(2048))
			if dice.IntN(2) == 0 {
				id = bus.Extended | bus.ID(0x18F00000+dice.IntN(4096)<<6)
			}
			if seen[id] {
				continue
			}
			seen[id] = true
			if i < 8 {
				wanted = append(wanted, id)
			}
			traffic = append(traffic, Flow{id, dice.IntN(9) == 0, float64(1 + dice.IntN(100))})
		}
		for _, name := range []string{"one-code", "two-masks", "banks-3", "elements-3-2"} {
			a, err := Solve(shape(t, name), wanted, traffic, 1_000_000)
			require.NoError(t, err)
			again, err := Solve(shape(t, name), wanted, traffic, 1_000_000)
			require.NoError(t, err)
			require.Equal(t, a, again)
			checkPasses(t, dice, a, traffic)
		}
	}
}

// However many there are of one width, the other gets its code.
func TestOneOfTheOtherWidth(t *testing.T) {
	dice := rand.New(rand.NewPCG(8, 7))
	for n := range 80 {
		many, one := bus.ID(0), bus.Extended|bus.ID(0x18FEF100)
		if n%2 == 1 {
			many, one = bus.Extended, bus.ID(0x120)
		}
		wanted := []bus.ID{one}
		for _, id := range randomSet(dice, 1+n, 2048) {
			wanted = append(wanted, many|id)
		}
		for _, name := range []string{"one-code", "two-masks", "banks-1", "banks-2", "elements-1-1"} {
			a, err := Solve(shape(t, name), wanted, nil, 20_000)
			require.NoError(t, err)
			checkPasses(t, dice, a, nil)
		}
	}
}

func checkPasses(t *testing.T, dice *rand.Rand, a *Answer, traffic []Flow) {
	for _, id := range a.Wanted {
		for range 4 {
			f := bus.Frame{ID: id, Length: uint8(dice.IntN(9))}
			for i := range f.Data[:8] {
				f.Data[i] = byte(dice.Uint32())
			}
			require.True(t, a.Program.Accepts(&f), "%s %s", a.Program.Shape(), id)
		}
	}
	listed := map[bus.ID]bool{}
	for _, l := range a.Leaks {
		listed[l.ID] = true
	}
	for _, flow := range traffic {
		_, wanted := slices.BinarySearch(a.Wanted, flow.ID)
		f := flow.frame()
		f.Length, f.Data = 8, [64]byte{byte(dice.Uint32()), byte(dice.Uint32())}
		if a.Program.Accepts(&f) && !listed[flow.ID] {
			require.True(t, wanted && !flow.Remote, "%s lets %s pass and does not say so", a.Program.Shape(), flow.ID)
		}
	}
}
