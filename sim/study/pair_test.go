package study

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/sim/age"
)

// lateness is a reading of signals of which nothing but the share of late changes and
// the delay of changes, against a limit of a second, is known.
func lateness(late ...float64) reading {
	r := reading{}
	for _, x := range late {
		f := [signalFigures]float64{}
		for i := range f {
			f[i] = math.NaN()
		}
		f[figureLate], f[figureDelay] = x, 10*x
		r.signals = append(r.signals, f)
		r.limits = append(r.limits, limit{figureDelay, 1})
	}
	return r
}

// A signal that changes in one group of replications only has no figure without that
// group. An average that it then left would jump from that of two signals to that of
// one: (0.4 - 0.2)/1 instead of (0.4 - 0.2 + 0.1 - 0.1)/2.
func TestAnAverageIsOverTheSameSignalsInEveryGroup(t *testing.T) {
	nan := math.NaN()
	m := &matching{both: [][2]int{{0, 0}, {1, 1}}, alpha: 0.05}
	m.a = &readings{whole: lateness(.2, .1), left: []reading{lateness(.2, nan), lateness(.2, .1)}}
	m.b = &readings{whole: lateness(.4, .1), left: []reading{lateness(.4, nan), lateness(.4, .1)}}
	both := m.average(m.both, figureLate)
	require.InDelta(t, .15, both.A, 1e-12)
	require.InDelta(t, .1, both.Difference.Value, 1e-12)
	require.True(t, both.Difference.Defined)
	require.False(t, both.Difference.Interval, "one group has all that is known of the second signal")
	first := m.average(m.both[:1], figureLate)
	require.Equal(t, Value{Defined: true, Interval: true, Value: .2, Low: .2, High: .2}, first.Difference)
	worst := m.compare(m.worst)
	require.Equal(t, 2., worst.A)
	require.Equal(t, 4., worst.B)
	require.False(t, worst.Difference.Interval)

	// What one design does not have is in the average of neither.
	m.b.whole = lateness(.4, nan)
	m.b.left = []reading{lateness(.4, nan), lateness(.4, nan)}
	both = m.average(m.both, figureLate)
	require.InDelta(t, .2, both.A, 1e-12)
	require.InDelta(t, .4, both.B, 1e-12)
}

// Of 100 changes 7 were shown, after 1 s each: 7 % of them kept a second, and no
// larger share kept anything.
func TestDelayOfAShareOfChanges(t *testing.T) {
	var shown age.Points
	shown.Add(time.Second, 7)
	require.InEpsilon(t, 1., delayOf(&shown, 100, .07), 1e-9)
	require.Equal(t, math.Inf(1), delayOf(&shown, 100, .08))
	require.True(t, math.IsNaN(delayOf(&age.Points{}, 0, .5)))
	require.Equal(t, math.Inf(1), delayOf(&age.Points{}, 1, .5))
}
