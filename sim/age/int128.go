package age

import (
	"math/big"
	"math/bits"
)

// Int128 is a signed 128-bit integer for sums of squares of nanoseconds, in two's
// complement. The zero value is 0. Sums and differences wrap around like those
// of the built-in integers.
type Int128 struct {
	Hi int64
	Lo uint64
}

// FromInt64 returns a as a 128-bit integer.
func FromInt64(a int64) Int128 { return Int128{Hi: a >> 63, Lo: uint64(a)} }

// Product returns a x b, exactly.
func Product(a, b int64) Int128 {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	// Mul64 read a negative factor as 2^64 more than it is.
	return Int128{Hi: int64(hi) - a>>63&b - b>>63&a, Lo: lo}
}

// Add returns a + b.
func (a Int128) Add(b Int128) Int128 {
	lo, carry := bits.Add64(a.Lo, b.Lo, 0)
	hi, _ := bits.Add64(uint64(a.Hi), uint64(b.Hi), carry)
	return Int128{Hi: int64(hi), Lo: lo}
}

// Sub returns a - b.
func (a Int128) Sub(b Int128) Int128 {
	lo, borrow := bits.Sub64(a.Lo, b.Lo, 0)
	hi, _ := bits.Sub64(uint64(a.Hi), uint64(b.Hi), borrow)
	return Int128{Hi: int64(hi), Lo: lo}
}

// Neg returns -a.
func (a Int128) Neg() Int128 { return Int128{}.Sub(a) }

// Sign returns -1, 0 or 1.
func (a Int128) Sign() int { return a.Cmp(Int128{}) }

// Cmp returns -1 when a < b, 0 when they are equal and 1 when a > b.
func (a Int128) Cmp(b Int128) int {
	switch {
	case a.Hi < b.Hi || a.Hi == b.Hi && a.Lo < b.Lo:
		return -1
	case a == b:
		return 0
	default:
		return 1
	}
}

// Float64 returns a as a floating-point number, within 2 units in the last place.
func (a Int128) Float64() float64 {
	if a.Hi < 0 {
		// Negating first keeps small negative numbers exact. The least number is
		// its own negative, and read as unsigned it is its own magnitude.
		b := a.Neg()
		return -(float64(uint64(b.Hi))*(1<<64) + float64(b.Lo))
	}
	return float64(a.Hi)*(1<<64) + float64(a.Lo)
}

// Big returns a as a number of the big integer library.
func (a Int128) Big() *big.Int {
	b := new(big.Int).Lsh(big.NewInt(a.Hi), 64)
	return b.Add(b, new(big.Int).SetUint64(a.Lo))
}

// String returns a in decimal digits.
func (a Int128) String() string { return a.Big().String() }
