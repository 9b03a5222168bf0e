package study

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// A printed table of Student's t gives three to four decimals; these are the same
// quantiles recomputed to six.
func TestStudentT(t *testing.T) {
	for _, c := range []struct {
		freedom            int
		at95, at975, at995 float64
	}{
		{freedom: 4, at95: 2.131847, at975: 2.776445, at995: 4.604095},
		{freedom: 9, at95: 1.833113, at975: 2.262157, at995: 3.249836},
		{freedom: 19, at95: 1.729133, at975: 2.093024, at995: 2.860935},
		{freedom: 29, at95: 1.699127, at975: 2.045230, at995: 2.756386},
		{freedom: 99, at95: 1.660391, at975: 1.984217, at995: 2.626405},
		{freedom: 1, at95: 6.313752, at975: 12.706205, at995: 63.656741},
		{freedom: 100_000_000, at95: 1.644854, at975: 1.959964, at995: 2.575829},
	} {
		require.InDelta(t, c.at95, StudentT(c.freedom, .10), 1e-6, "%d", c.freedom)
		require.InDelta(t, c.at975, StudentT(c.freedom, .05), 1e-6, "%d", c.freedom)
		require.InDelta(t, c.at995, StudentT(c.freedom, .01), 2e-6, "%d", c.freedom)
	}
	require.Panics(t, func() { StudentT(0, .05) })
}

var (
	// Law, "Simulation Modeling and Analysis", chapter 9: delays in a bank and
	// costs of an inventory, ten replications each.
	bank      = []float64{1.53, 1.66, 1.24, 2.34, 2.00, 1.69, 2.69, 2.86, 1.70, 2.60}
	inventory = []float64{129.35, 127.11, 124.03, 122.13, 120.44, 118.39, 130.17, 129.77, 125.52, 133.75}
)

func TestIntervalOfPublishedExamples(t *testing.T) {
	mean, ends := TInterval(bank, .1)
	require.InDelta(t, 2.03, mean, .005) // as printed
	require.InDelta(t, .32, ends.High-mean, .005)
	require.InDelta(t, 2.0310, mean, 1e-10) // recomputed
	require.InDelta(t, .3223, (ends.High-ends.Low)/2, 5e-5)
	_, ends = TInterval(bank, .05)
	require.InDelta(t, .3977, (ends.High-ends.Low)/2, 5e-5)

	mean, ends = TInterval(inventory, .05)
	require.InDelta(t, 126.07, mean, .005)
	require.InDelta(t, 3.47, ends.High-mean, .005)
	require.InDelta(t, 3.4718, ends.High-mean, 5e-5)

	mean, ends = TInterval([]float64{4}, .05)
	require.Equal(t, 4., mean)
	require.True(t, math.IsNaN(ends.Low) && math.IsNaN(ends.High))
}

// With the same denominator everywhere the ratio is the plain mean.
func TestRatioOfEqualDenominatorsIsTheMean(t *testing.T) {
	var r ratio
	for _, v := range bank {
		r.add(v*7, 7)
		r.add(5, 0) // says nothing
	}
	want, ends := TInterval(bank, .1)
	got := r.value(.1, 0)
	require.InDelta(t, want, got.Value, 1e-12)
	require.InDelta(t, ends.Low, got.Low, 1e-9)
	require.InDelta(t, ends.High, got.High, 1e-9)
	require.True(t, got.Interval)
	clipped := r.value(.1, 2.1)
	require.Equal(t, 2.1, clipped.High)

	// Equal replications leave no interval that is only rounding.
	var same ratio
	for range 30 {
		same.add(.1*3, 3)
	}
	v := same.value(.05, 0)
	require.Equal(t, v.Value, v.Low)
	require.Equal(t, v.Value, v.High)
}

// Renewal cycles of a random length: the time average of the age of a sawtooth is
// E[X^2]/(2 E[X]), here 1 for exponential cycles, and the interval covers it.
func TestRatioCoversWithRandomDenominators(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 1))
	const runs = 2000
	covered := 0
	for range runs {
		var r ratio
		for range 20 {
			var area, time float64
			for range 50 + dice.IntN(100) {
				x := dice.ExpFloat64()
				area, time = area+x*x/2, time+x
			}
			r.add(area, time)
		}
		if v := r.value(.05, 0); v.Low <= 1 && 1 <= v.High {
			covered++
		}
	}
	// 0.95 less a small bias of the skewed ratio; four standard errors are 0.02.
	require.InDelta(t, .94, float64(covered)/runs, .02)
}

func TestBatchMeansOfBurstyAges(t *testing.T) {
	// Ages at the ends of whole periods of independent normal noise: the interval
	// of the batch means is that of the mean.
	dice := rand.New(rand.NewPCG(2, 1))
	covered := 0
	const runs = 1000
	series := make([]float64, 2003)
	for range runs {
		for i := range series {
			series[i] = dice.NormFloat64()
		}
		if _, ends := BatchMeans(series, 20, .05); ends.Low <= 0 && 0 <= ends.High {
			covered++
		}
	}
	require.InDelta(t, .95, float64(covered)/runs, 4*math.Sqrt(.95*.05/runs))
	mean, ends := BatchMeans([]float64{1, 3, 5, 7, 99}, 2, .05)
	require.Equal(t, 4., mean)
	require.InDelta(t, 4+StudentT(1, .05)*2, ends.High, 1e-9)
	require.Panics(t, func() { BatchMeans([]float64{1}, 2, .05) })
}

// Leaving out one value at a time from a mean gives the t-interval of the mean.
func TestJackknifeOfAMeanIsTheTInterval(t *testing.T) {
	want, ends := TInterval(bank, .05)
	left := make([]float64, len(bank))
	for g := range left {
		for i, v := range bank {
			if Group(i, len(bank)) != g {
				left[g] += v / float64(len(bank)-1)
			}
		}
	}
	got := Jackknife(want, left, .05)
	require.InDelta(t, ends.Low, got.Low, 1e-12)
	require.InDelta(t, ends.High, got.High, 1e-12)
	require.Equal(t, 3, Group(43, 100))
	require.Equal(t, 4, Group(9, 5))
	require.Panics(t, func() { Jackknife(1, []float64{1}, .05) })
}

func TestWilsonAndClopperPearson(t *testing.T) {
	// Newcombe 1998, table I, method 3.
	for _, c := range []struct {
		hits, n   int
		low, high float64
	}{{81, 263, .2553, .3662}, {15, 148, .0624, .1605}, {0, 20, 0, .1611}, {1, 29, .0061, .1718}} {
		got := Wilson(c.hits, c.n, .05)
		require.InDelta(t, c.low, got.Low, 5e-5)
		require.InDelta(t, c.high, got.High, 5e-5)
	}
	// Published with z = 1.96 to ten digits.
	got := wilson(10, 100, 1.96)
	require.InDelta(t, .0552285416, got.Low, 1e-10)
	require.InDelta(t, .1743673044, got.High, 1e-10)
	require.InDelta(t, .0369948075, wilson(0, 100, 1.96).High, 1e-10)
	// Recomputed.
	require.InDelta(t, .036993, Wilson(0, 100, .05).High, 5e-7)
	require.InDelta(t, .003827, Wilson(0, 1000, .05).High, 5e-7)
	require.InDelta(t, .001021, Wilson(3, 1000, .05).Low, 5e-7)
	require.InDelta(t, .008783, Wilson(3, 1000, .05).High, 5e-7)
	require.Equal(t, 1., Wilson(7, 7, .05).High)

	for _, c := range []struct {
		hits, n   int
		low, high float64
	}{{81, 263, .252737, .367622}, {1, 29, .000873, .177644}, {3, 1000, .000619, .008742}} {
		got := ClopperPearson(c.hits, c.n, .05)
		require.InDelta(t, c.low, got.Low, 1e-6)
		require.InDelta(t, c.high, got.High, 1e-6)
	}
	require.InDelta(t, 1-math.Pow(.025, 1./10), ClopperPearson(0, 10, .05).High, 1e-9)
	require.Equal(t, 1., ClopperPearson(5, 5, .05).High)
	require.Panics(t, func() { Wilson(2, 1, .05) })
}

func TestNoneOf(t *testing.T) {
	for n, want := range map[int]float64{20: .139108, 30: .095034, 100: .029513, 1000: .002991} {
		require.InDelta(t, want, NoneOf(n, .05), 5e-7)
	}
}

// Garwood 1936: limits of a Poisson mean at 95 %, as in printed tables (values
// from memory, checked here against the distribution itself).
func TestPoisson(t *testing.T) {
	for count, want := range map[uint64]Interval{0: {0, 3.689}, 1: {.0253, 5.572}, 5: {1.623, 11.668}, 10: {4.795, 18.390}, 19: {11.439, 29.671}} {
		got := Poisson(count, .05)
		require.InDelta(t, want.Low, got.Low, 6e-4)
		require.InDelta(t, want.High, got.High, 6e-4)
		for _, alpha := range []float64{.05, .05 / 6} {
			got := Poisson(count, alpha)
			require.InDelta(t, alpha/2, distuv.Poisson{Lambda: got.High}.CDF(float64(count)), 1e-9)
			if count > 0 {
				require.InDelta(t, alpha/2, 1-distuv.Poisson{Lambda: got.Low}.CDF(float64(count)-1), 1e-9)
			}
		}
	}
}

func TestRanksOfOrderStatistics(t *testing.T) {
	// The median's intervals are in printed tables (97.9, 96.1, 95.9 %); the rest
	// is recomputed.
	for _, c := range []struct {
		n            int
		level        float64
		lower, upper int
		coverage     float64
	}{
		{10, .5, 2, 9, .978516}, {12, .5, 3, 10, .961426}, {20, .5, 6, 15, .958611},
		{100, .5, 40, 61, .964800}, {100, .95, 90, 100, .982607}, {200, .95, 184, 197, .967152},
		{1000, .95, 936, 964, .958095}, {1000, .99, 983, 997, .976095}, {10000, .99, 9880, 9920, .955755},
	} {
		lower, upper, coverage := Ranks(c.n, c.level, .05)
		require.Equal(t, [2]int{c.lower, c.upper}, [2]int{lower, upper}, "n %d level %v", c.n, c.level)
		require.InDelta(t, c.coverage, coverage, 1e-6, "n %d level %v", c.n, c.level)
	}
	_, upper, _ := Ranks(10, .95, .05)
	require.Equal(t, 11, upper, "ten values do not bound the 95th percentile from above")
}
