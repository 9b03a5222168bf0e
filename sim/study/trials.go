package study

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson returns the score interval of a share seen hits times in n independent
// trials at confidence 1-alpha (Wilson 1927; recommended in Newcombe, Statistics
// in Medicine 17, 1998, method 3).
func Wilson(hits, n int, alpha float64) Interval {
	checkTrials(hits, n)
	return wilson(float64(hits), float64(n), -distuv.UnitNormal.Quantile(alpha/2))
}

func wilson(hits, n, z float64) Interval {
	p := hits / n
	middle := p + z*z/(2*n)
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	scale := 1 + z*z/n
	interval := Interval{max(0, (middle-half)/scale), min(1, (middle+half)/scale)}
	// At the ends the exact values are 0 and 1; the subtraction leaves rounding.
	if hits == 0 {
		interval.Low = 0
	}
	if hits == n {
		interval.High = 1
	}
	return interval
}

// ClopperPearson returns the exact interval of a share seen hits times in n
// independent trials at confidence 1-alpha: it covers the share at least that
// often (Clopper, Pearson, Biometrika 26, 1934).
func ClopperPearson(hits, n int, alpha float64) Interval {
	checkTrials(hits, n)
	interval := Interval{0, 1}
	if hits > 0 {
		interval.Low = distuv.Beta{Alpha: float64(hits), Beta: float64(n - hits + 1)}.Quantile(alpha / 2)
	}
	if hits < n {
		// The share of misses has the upper end of the hits as its lower end.
		interval.High = 1 - distuv.Beta{Alpha: float64(n - hits), Beta: float64(hits + 1)}.Quantile(alpha/2)
	}
	return interval
}

func checkTrials(hits, n int) {
	if n < 1 || hits < 0 || hits > n {
		panic("study: trials outside their range")
	}
}

// NoneOf returns the one-sided upper end of a share of which nothing was seen in n
// independent trials: 1 - alpha^(1/n), close to 3/n at 95 % (the rule of three;
// Hanley, Lippman-Hand, JAMA 249, 1983).
func NoneOf(n int, alpha float64) float64 {
	checkTrials(0, n)
	return -math.Expm1(math.Log(alpha) / float64(n))
}

// Poisson returns the exact interval of the mean of a Poisson count of which
// count was seen, at confidence 1-alpha (Garwood, Biometrika 28, 1936).
func Poisson(count uint64, alpha float64) Interval {
	interval := Interval{0, gammaQuantile(float64(count)+1, 1-alpha/2)}
	if count > 0 {
		interval.Low = gammaQuantile(float64(count), alpha/2)
	}
	return interval
}

func gammaQuantile(shape, level float64) float64 {
	return distuv.Gamma{Alpha: shape, Beta: 1}.Quantile(level)
}

// Ranks returns the ranks, from 1, of the order statistics of n independent values
// between which their quantile lies with confidence 1-alpha, the same alpha/2 left
// at each end: lower is the smallest and upper the largest that do. lower 0 or
// upper n+1 means that n values do not bound that side. The interval is
// [x(lower), x(upper)) and its coverage B(upper-1) - B(lower-1), B being the
// binomial distribution function (David, Nagaraja, "Order Statistics", 3rd ed.
// 2003, section 7.1).
func Ranks(n int, level, alpha float64) (lower, upper int, coverage float64) {
	checkTrials(0, n)
	law := distuv.Binomial{N: float64(n), P: level}
	upper = n + 1
	for k := 0; k <= n; k++ {
		if law.CDF(float64(k)) <= alpha/2 {
			lower = k + 1
		}
		if law.CDF(float64(k)) >= 1-alpha/2 {
			upper = k + 1
			break
		}
	}
	below, under := 0.0, 1.0
	if lower > 0 {
		below = law.CDF(float64(lower - 1))
	}
	if upper <= n {
		under = law.CDF(float64(upper - 1))
	}
	return lower, upper, under - below
}
