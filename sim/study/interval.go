package study

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is a confidence interval.
type Interval struct{ Low, High float64 }

// StudentT returns the quantile of Student's t distribution that a two-sided
// interval at confidence 1-alpha needs. freedom must be at least 1.
func StudentT(freedom int, alpha float64) float64 {
	if freedom < 1 || alpha <= 0 || alpha >= 1 {
		panic("study: t quantile outside its range")
	}
	// The lower tail keeps its digits where 1-alpha/2 would round.
	return -distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(freedom)}.Quantile(alpha / 2)
}

// ratio estimates sum(y)/sum(x) over independent replications: a time average is
// area over time, a mean over updates is sum over count, and both differ from
// replication to replication. Its interval is the t-interval of the residuals
// y - R x (Cochran, "Sampling Techniques", 3rd ed. 1977, section 6.4; Law,
// "Simulation Modeling and Analysis", section 9.5). With the same x in every
// replication it is the t-interval of the mean.
type ratio struct {
	n          int // replications with x > 0; the others say nothing
	y, x       float64
	yy, xy, xx float64

	yyy, xyy, xxy, xxx float64
}

func (r *ratio) add(y, x float64) {
	if x <= 0 {
		return
	}
	r.n++
	r.y, r.x = r.y+y, r.x+x
	r.yy, r.xy, r.xx = r.yy+y*y, r.xy+x*y, r.xx+x*x
	r.yyy, r.xyy, r.xxy, r.xxx = r.yyy+y*y*y, r.xyy+x*y*y, r.xxy+x*x*y, r.xxx+x*x*x
}

// skew returns the skewness of the residuals y - R x, 0 where they do not differ.
func (r *ratio) skew() float64 {
	v := r.y / r.x
	deviation := residual(v, r.yy, r.xy, r.xx) / math.Sqrt(float64(r.n))
	if deviation == 0 {
		return 0
	}
	third := r.yyy - 3*v*r.xyy + 3*v*v*r.xxy - v*v*v*r.xxx
	return third / float64(r.n) / (deviation * deviation * deviation)
}

// skewed widens the interval of v, the value of r, on the side to which the
// residuals lean: with few replications a t-interval of a skewed quantity is too
// short there. It inverts the cubic transformation of the t statistic of Hall,
// "On the removal of skewness by transformation", J. R. Statist. Soc. B 54 (1992)
// 221-228. An end that the t-interval puts further out stays.
func (r *ratio) skewed(v Value, alpha float64) Value {
	skew := 0.0
	if v.Interval && r.n > 2 {
		skew = r.skew()
	}
	if math.Abs(skew) < 1e-6 {
		return v
	}
	n := math.Sqrt(float64(r.n))
	t := StudentT(r.n-1, alpha)
	inverse := func(t float64) float64 {
		return 3 * n / skew * (math.Cbrt(1+skew*(t/n-skew/(6*n*n))) - 1)
	}
	half, _ := r.halfWidth(alpha)
	v.Low = max(0, min(v.Low, v.Value-half/t*inverse(t)))
	v.High = max(v.High, v.Value-half/t*inverse(-t))
	return v
}

// halfWidth returns the half-width of the interval, and false with fewer than two
// replications.
func (r *ratio) halfWidth(alpha float64) (float64, bool) {
	if r.n < 2 {
		return math.NaN(), false
	}
	return residual(r.y/r.x, r.yy, r.xy, r.xx) * spread(r.n, r.x, alpha), true
}

// residual returns the root of the sum of the squared residuals y - R x.
func residual(value, yy, xy, xx float64) float64 {
	sum := yy - 2*value*xy + value*value*xx
	// What is left of equal replications is rounding.
	if sum <= 1e-13*yy {
		return 0
	}
	return math.Sqrt(sum)
}

// spread turns a residual into a half-width.
func spread(n int, x, alpha float64) float64 {
	return StudentT(n-1, alpha) * math.Sqrt(float64(n)/float64(n-1)) / x
}

// value returns the estimate with its interval, clipped to lie at or above 0 and,
// where most is not 0, at or below most.
func (r *ratio) value(alpha, most float64) Value {
	if r.x <= 0 {
		return Value{}
	}
	v := Value{Defined: true, Value: r.y / r.x, Low: math.NaN(), High: math.NaN()}
	if half, ok := r.halfWidth(alpha); ok {
		v.Interval = true
		v.Low, v.High = max(0, v.Value-half), v.Value+half
		if most > 0 {
			v.High = min(most, v.High)
		}
	}
	return v
}

// TInterval returns the mean of independent values and its t-interval at
// confidence 1-alpha. With fewer than two values the ends are NaN.
func TInterval(values []float64, alpha float64) (mean float64, interval Interval) {
	n := float64(len(values))
	for _, v := range values {
		mean += v / n
	}
	if len(values) < 2 {
		return mean, Interval{math.NaN(), math.NaN()}
	}
	var squares float64
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	half := StudentT(len(values)-1, alpha) * math.Sqrt(squares/(n-1)/n)
	return mean, Interval{mean - half, mean + half}
}

// BatchMeans cuts one long series into batches of equal length and returns the
// t-interval of their means; what does not fill the last batch is left out. The
// batches must be much longer than the memory of the series (Law, "Simulation
// Modeling and Analysis", section 9.5.3). It needs two batches and a value in each.
func BatchMeans(series []float64, batches int, alpha float64) (mean float64, interval Interval) {
	if batches < 2 || len(series) < batches {
		panic("study: batch means need two batches and a value in each")
	}
	length := len(series) / batches
	means := make([]float64, batches)
	for b := range means {
		for _, v := range series[b*length : (b+1)*length] {
			means[b] += v / float64(length)
		}
	}
	return TInterval(means, alpha)
}

// MaxGroups is into how many groups replications are gathered at most for the
// jackknife.
const MaxGroups = 20

// Group returns the group of a replication out of n: replications go to the
// groups in turn.
func Group(index, n int) int { return index % min(n, MaxGroups) }

// Jackknife returns the interval of a figure of pooled values. left holds the
// figure with one group left out, for each group; there must be two or more.
// whole is the figure of all. (Miller, "The jackknife - a review", Biometrika
// 61(1), 1974: t-interval of the pseudo-values.)
func Jackknife(whole float64, left []float64, alpha float64) Interval {
	if len(left) < 2 {
		panic("study: the jackknife needs two groups")
	}
	n := float64(len(left))
	var mean, squares float64
	for _, v := range left {
		mean += v / n
	}
	for _, v := range left {
		squares += (v - mean) * (v - mean)
	}
	half := StudentT(len(left)-1, alpha) * math.Sqrt(squares*(n-1)/n)
	return Interval{whole - half, whole + half}
}
