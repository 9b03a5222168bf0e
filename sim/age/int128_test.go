package age

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// wrap brings a big integer into the range of 128 bits the way two's complement does.
func wrap(b *big.Int) *big.Int {
	m := new(big.Int).Lsh(big.NewInt(1), 128)
	b = new(big.Int).Mod(b, m)
	if b.Bit(127) == 1 {
		b.Sub(b, m)
	}
	return b
}

func checkInt128(t *testing.T, a, b, c, d int64) {
	t.Helper()
	x, y := Product(a, b), Product(c, d)
	bx := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
	by := new(big.Int).Mul(big.NewInt(c), big.NewInt(d))
	require.Equal(t, bx.String(), x.String())
	require.Equal(t, wrap(new(big.Int).Add(bx, by)).String(), x.Add(y).String())
	require.Equal(t, wrap(new(big.Int).Sub(bx, by)).String(), x.Sub(y).String())
	require.Equal(t, wrap(new(big.Int).Neg(bx)).String(), x.Neg().String())
	require.Equal(t, bx.Cmp(by), x.Cmp(y))
	require.Equal(t, bx.Sign(), x.Sign())
	require.Equal(t, big.NewInt(a).String(), FromInt64(a).String())
	want, _ := new(big.Float).SetInt(bx).Float64()
	require.InDelta(t, want, x.Float64(), math.Abs(want)*0x1p-51)
}

func TestInt128AgainstBigIntegers(t *testing.T) {
	edges := []int64{0, 1, -1, 2, math.MaxInt64, math.MinInt64, math.MinInt64 + 1, 1 << 32, -(1 << 32)}
	for _, a := range edges {
		for _, b := range edges {
			for _, c := range edges {
				checkInt128(t, a, b, c, a^b)
			}
		}
	}
	dice := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		s := dice.IntN(64)
		checkInt128(t, int64(dice.Uint64())>>s, int64(dice.Uint64()), int64(dice.Uint64())>>s, int64(dice.Uint64()))
	}
	least := Int128{Hi: math.MinInt64}
	require.Equal(t, -0x1p127, least.Float64())
	require.Equal(t, "-170141183460469231731687303715884105728", least.String())
}

func FuzzInt128(f *testing.F) {
	f.Add(int64(3), int64(-4), int64(5), int64(6))
	f.Add(int64(math.MinInt64), int64(math.MinInt64), int64(math.MinInt64), int64(math.MaxInt64))
	f.Fuzz(func(t *testing.T, a, b, c, d int64) { checkInt128(t, a, b, c, d) })
}
