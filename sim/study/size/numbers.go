package size

import (
	"math"
	"strconv"
)

// twoDigits rounds to two significant digits.
func twoDigits(v float64) float64 {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
	return rounded
}

// uniforms is the distribution function of a sum of independent uniform variables
// on 0 to each of the widths, by inclusion and exclusion (Feller, "An Introduction
// to Probability Theory and Its Applications", volume II, section I.9; Irwin and
// Hall for equal widths). Widths of 0 count for nothing.
func uniforms(widths []float64, x float64) float64 {
	var w []float64
	for _, width := range widths {
		if width > 0 {
			w = append(w, width)
		}
	}
	if x <= 0 {
		if len(w) == 0 && x == 0 {
			return 1
		}
		return 0
	}
	sum, scale := 0.0, 1.0
	for i, width := range w {
		scale *= width * float64(i+1)
		sum += width
	}
	if x >= sum {
		return 1
	}
	total := 0.0
	for subset := range 1 << len(w) {
		left, sign := x, 1.0
		for i, width := range w {
			if subset>>i&1 == 1 {
				left, sign = left-width, -sign
			}
		}
		if left > 0 {
			total += sign * math.Pow(left, float64(len(w)))
		}
	}
	return min(1, max(0, total/scale))
}

// delayed is the distribution function of the same sum with, for a share of the
// time, an exponential variable of this mean on top: the time since a bad state
// began, of a process that spends this share of the time in it.
func delayed(widths []float64, share, mean, x float64) float64 {
	plain := uniforms(widths, x)
	if share == 0 || mean == 0 || x <= 0 {
		return plain
	}
	// Integral of F(x-e) exp(-e/mean)/mean over e from 0 to x, in terms of
	// u = 1-exp(-e/mean), by the midpoint rule.
	const parts = 400
	most := 1 - math.Exp(-x/mean)
	sum := 0.0
	for i := range parts {
		u := most * (float64(i) + .5) / parts
		sum += uniforms(widths, x+mean*math.Log1p(-u))
	}
	return (1-share)*plain + share*sum*most/parts
}

// quantile inverts a distribution function that rises from 0 on.
func quantile(f func(x float64) float64, level float64) float64 {
	low, high := 0.0, 1e-6
	for f(high) < level && high < 1e9 {
		low, high = high, 2*high
	}
	for range 60 {
		if middle := (low + high) / 2; f(middle) < level {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}
