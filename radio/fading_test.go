package radio

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

const ms = time.Millisecond

// spread runs body on independent fadings of w and returns mean and standard
// error of each number it gives.
func spread(w Weather, runs int, body func(*Fading) []float64) (mean, se []float64) {
	var squares []float64
	for k := range runs {
		xs := body(NewFading(w, streams(uint64(k))("weather", 0), uint64(k)))
		if mean == nil {
			mean, squares = make([]float64, len(xs)), make([]float64, len(xs))
		}
		for i, x := range xs {
			mean[i] += x / float64(runs)
			squares[i] += x * x / float64(runs)
		}
	}
	se = make([]float64, len(mean))
	for i := range se {
		se[i] = math.Sqrt(max(0, squares[i]-mean[i]*mean[i]) / float64(runs-1))
	}
	return mean, se
}

// rows samples a fading every step and returns P(the last k are lost) for
// k = 1..5 and the mean number of losses in a row looking back.
func rows(f *Fading, step time.Duration, samples int) []float64 {
	out := make([]float64, 6)
	run := 0
	for k := range samples {
		at := time.Duration(k) * step
		if run++; f.Hear(at, at) == Heard {
			run = 0
		}
		for j := range min(run, 5) {
			out[j] += 1 / float64(samples)
		}
		out[5] += float64(run) / float64(samples)
	}
	return out
}

// continuous returns the weather that looks like the two-state chain a, b when
// it is sampled every step: with eta = 1-a-b = exp(-step/tau) and the bad share
// p = a/(a+b), the mean bad stay is tau/(1-p).
func continuous(a, b, goodLoss, badLoss float64, step time.Duration) Weather {
	p := a / (a + b)
	tau := -step.Seconds() / math.Log(1-a-b)
	return Weather{
		Loss:  p*badLoss + (1-p)*goodLoss,
		Burst: time.Duration(tau / (1 - p) * 1e9), GoodLoss: goodLoss, BadLoss: badLoss,
	}
}

// The chain of Gilbert 1960 and Elliott 1963, stepping once per sample:
// P(k lost in a row) = pi L (P L)^(k-1) 1; the mean number lost in a row
// looking back is (p - eg eb eta) / (1 - eg(1-a) - eb(1-b) + eg eb eta). The
// figures are recomputed from these forms.
func TestGilbertElliottInContinuousTime(t *testing.T) {
	for _, c := range []struct {
		a, b, goodLoss, badLoss float64
		want                    [6]float64
	}{
		{0.05, 0.45, 0, 1, [6]float64{0.10000, 0.05500, 0.03025, 0.01664, 0.00915, 0.22222}},
		{0.02, 0.18, 0, 1, [6]float64{0.10000, 0.08200, 0.06724, 0.05514, 0.04521, 0.55556}},
		{0.05, 0.2, 0.01, 0.6, [6]float64{0.12800, 0.05816, 0.02789, 0.01339, 0.00643, 0.23981}},
		{0.01, 0.1, 0.02, 0.9, [6]float64{0.10000, 0.06696, 0.05396, 0.04370, 0.03540, 0.45097}},
		{0.3, 0.3, 0, 1, [6]float64{0.50000, 0.35000, 0.24500, 0.17150, 0.12005, 1.66667}},
		{0.01, 0.1, 0.001, 0.5, [6]float64{0.04636364, 0.02046454, 0.00920867, math.NaN(), math.NaN(), math.NaN()}},
	} {
		w := continuous(c.a, c.b, c.goodLoss, c.badLoss, 10*ms)
		require.NoError(t, w.Check())
		mean, se := spread(w, 40, func(f *Fading) []float64 { return rows(f, 10*ms, sized(20_000, 500_000)) })
		for k, want := range c.want {
			if !math.IsNaN(want) {
				require.InDelta(t, want, mean[k], 4*se[k]+5e-6, "a %v, b %v, number %d", c.a, c.b, k)
			}
		}
	}
}

// Bursts of 50 ms, a tenth of the time, sampled at several periods: the mean
// number lost in a row looking back is 0.1 / (1 - (1-b)), b = 0.9 (1 - eta).
// Figures recomputed.
func TestBurstsAgainstTheSendingPeriod(t *testing.T) {
	w := Weather{Loss: 0.1, Burst: 50 * ms}
	for step, want := range map[time.Duration]float64{10 * ms: 0.55761, 20 * ms: 0.30966, 50 * ms: 0.16564, 100 * ms: 0.12462, 200 * ms: 0.11243} {
		mean, se := spread(w, 40, func(f *Fading) []float64 { return rows(f, step, sized(10_000, 200_000)) })
		require.InDelta(t, 0.1, mean[0], 4*se[0], "loss, every %v", step)
		require.InDelta(t, want, mean[5], 4*se[5]+5e-6, "every %v", step)
	}
}

// The share lost is the stated one at any length of the broadcasts: the state
// at the begin decides.
func TestStatedLossAtAnyLength(t *testing.T) {
	w := Weather{Loss: 0.2, Burst: 30 * ms, GoodLoss: 0.05, BadLoss: 0.9}
	for _, air := range []time.Duration{0, ms, 100 * ms} {
		mean, se := spread(w, 40, func(f *Fading) []float64 {
			n, lost := 4000, 0.0
			for k := range n {
				at := time.Duration(k) * 37 * ms
				if f.Hear(at, at+air) != Heard {
					lost++
				}
			}
			return []float64{lost / float64(n)}
		})
		require.InDelta(t, 0.2, mean[0], 4*se[0], "%v", air)
	}
}

// Without a bad state losses are independent and need no burst.
func TestIndependentLoss(t *testing.T) {
	w := Weather{Loss: 0.1, GoodLoss: 0.1}
	mean, se := spread(w, 40, func(f *Fading) []float64 { return rows(f, ms, 10_000) })
	for k := range 3 {
		require.InDelta(t, math.Pow(0.1, float64(k+1)), mean[k], 4*se[k])
	}
}

func TestCertainWeather(t *testing.T) {
	clear := NewFading(Weather{}, streams(1)("weather", 0), 1)
	blind := NewFading(Weather{Loss: 1, Burst: time.Second}, streams(1)("weather", 0), 1)
	for at := time.Duration(0); at < time.Hour; at += time.Second {
		require.Equal(t, Heard, clear.Hear(at, at+ms))
		require.Equal(t, Faded, blind.Hear(at, at+ms))
	}
}

// A law: the answer at an instant does not depend on which other instants were
// asked about, in what number, or on the length of the broadcasts.
func TestFadingIsTheSameForEveryDesign(t *testing.T) {
	w := Weather{Loss: 0.3, Burst: 20 * ms, GoodLoss: 0.1, BadLoss: 0.8, LongShare: 0.05, LongBurst: time.Second, LongLoss: 0.9}
	answers := func(step, air time.Duration) map[time.Duration]Outcome {
		f := NewFading(w, streams(3)("weather", 0), 77).Join(NewFading(w, streams(4)("shared", 0), 78))
		out := map[time.Duration]Outcome{}
		for at := time.Duration(0); at < 100*time.Second; at += step {
			out[at] = f.Hear(at, at+air)
		}
		return out
	}
	dense, sparse := answers(3*ms, 0), answers(7*ms, 50*ms)
	common, lost := 0, 0
	for at, o := range sparse {
		if other, ok := dense[at]; ok {
			require.Equal(t, other, o, "%v", at)
			if common++; o == Faded {
				lost++
			}
		}
	}
	require.Greater(t, common, 4000)
	require.Greater(t, lost, 1000)
}

// Bit errors at one rate: P(lost) = 1 - (1-e)^bits. With e = exp(-Eb/N0)/2 of
// differential binary phase shift keying, Eb/N0 = SNR + 10 lg 22, a frame of 293
// bytes at 1 Mbit/s is lost with 0.672, 0.168, 0.0189 at an SNR of -5, -4, -3 dB
// (recomputed). The preamble holds no bits.
func TestBitErrorsAtOneRate(t *testing.T) {
	p := actionFrame(t, Settings{})
	air := p.Airtime(250)
	for snr, want := range map[float64]float64{-5: 0.672, -4: 0.168, -3: 0.0189} {
		e := math.Exp(-22*math.Pow(10, snr/10)) / 2
		w := Weather{GoodBitErrors: e}.On(p)
		require.Equal(t, 192*us, w.Preamble)
		mean, se := spread(w, 40, func(f *Fading) []float64 {
			n, lost := sized(1000, 20_000), 0.0
			for k := range n {
				at := time.Duration(k) * 5 * ms
				switch f.Hear(at, at+air) {
				case BitErrors:
					lost++
				case Faded:
					t.Fatal("nothing fades")
				}
				require.Equal(t, Heard, f.Hear(at, at+192*us), "the preamble alone")
			}
			return []float64{lost / float64(n)}
		})
		require.InDelta(t, want, mean[0], 4*se[0]+0.0006, "%v dB", snr)
	}
}

// Bit errors integrated over the stays in each state: the chance that all bits
// are right is pi exp((Q-D) T) 1, Q the rates of change and D the error rates
// by state (a Markov-modulated Poisson process has no event in T; Fischer and
// Meier-Hellstern 1993).
func TestBitErrorsOverChangingStates(t *testing.T) {
	w := Weather{Loss: 1e-9, BadLoss: 4e-9, Burst: 2 * ms, GoodBitErrors: 1e-5, BadBitErrors: 4e-4, BitRate: 1e6, Preamble: 500 * us}
	const bad, air = 0.25, 6.5 // ms; 6 of them hold bits
	toGood := 1 / 2.0
	toBad := toGood * bad / (1 - bad)
	perMs := func(e float64) float64 { return -math.Log1p(-e) * 1e3 }
	var m mat.Dense
	m.Exp(mat.NewDense(2, 2, []float64{
		6 * (-toBad - perMs(1e-5)), 6 * toBad,
		6 * toGood, 6 * (-toGood - perMs(4e-4)),
	}))
	want := (1-bad)*(m.At(0, 0)+m.At(0, 1)) + bad*(m.At(1, 0)+m.At(1, 1))
	mean, se := spread(w, 40, func(f *Fading) []float64 {
		n, heard := sized(2000, 50_000), 0.0
		for k := range n {
			at := time.Duration(k) * 20 * ms
			if f.Hear(at, at+time.Duration(air*float64(ms))) == Heard {
				heard++
			}
		}
		return []float64{heard / float64(n)}
	})
	require.InDelta(t, want, mean[0], 4*se[0])
}

// The second bad state comes on top, and its stays are long.
func TestLongBadState(t *testing.T) {
	w := Weather{Loss: 0.1, GoodLoss: 0.1, LongShare: 0.2, LongBurst: 5 * time.Second, LongLoss: 0.5}
	mean, se := spread(w, 40, func(f *Fading) []float64 { return rows(f, 10*ms, 50_000) })
	require.InDelta(t, 1-0.9*(1-0.2*0.5), mean[0], 4*se[0])
	inLong := 0.1 + 0.9*0.5
	require.InDelta(t, 0.8*0.1*0.1+0.2*inLong*inLong, mean[1], 4*se[1]+0.001, "stays are much longer than two samples")
}

// A common cause takes the broadcast from all who share it at once.
func TestCommonCause(t *testing.T) {
	shared := NewFading(Weather{Loss: 0.2, GoodLoss: 0.2}, streams(1)("shared", 0), 1)
	receivers := [2]*Fading{}
	for i := range receivers {
		receivers[i] = NewFading(Weather{Loss: 0.1, GoodLoss: 0.1}, streams(1)("weather", i), uint64(10+i)).Join(shared)
	}
	n := sized(100_000, 1_000_000)
	var first, both int
	for k := range n {
		at := time.Duration(k) * ms
		a, b := receivers[0].Hear(at, at), receivers[1].Hear(at, at)
		if a == Faded {
			first++
			if b == Faded {
				both++
			}
		}
	}
	one, two := 1-0.8*0.9, 1-0.8*(1-0.1*0.1)
	require.InDelta(t, one, float64(first)/float64(n), 4*shareError(one, n))
	require.InDelta(t, two, float64(both)/float64(n), 4*shareError(two, n))
}

func TestOutages(t *testing.T) {
	w := Weather{Outages: []Span{{10 * ms, 20 * ms}, {20 * ms, 25 * ms}, {40 * ms, 41 * ms}}}
	f := NewFading(w, streams(1)("weather", 0), 1)
	for _, c := range []struct {
		begin, end time.Duration
		want       Outcome
	}{
		{0, 10 * ms, Heard}, {5 * ms, 10*ms + 1, Outage}, {10 * ms, 10 * ms, Outage}, {20*ms - 1, 20 * ms, Outage},
		{24 * ms, 30 * ms, Outage}, {25 * ms, 40 * ms, Heard}, {30 * ms, 50 * ms, Outage}, {41 * ms, time.Hour, Heard},
	} {
		require.Equal(t, c.want, f.Hear(c.begin, c.end), "%v to %v", c.begin, c.end)
	}
}

func TestListening(t *testing.T) {
	f := NewFading(Weather{Listen: 30 * ms, ListenEvery: 100 * ms, ListenFrom: 50 * ms}, streams(1)("weather", 0), 1)
	for _, c := range []struct {
		begin, end time.Duration
		want       Outcome
	}{
		{0, ms, NotListening}, {49 * ms, 51 * ms, NotListening}, {50 * ms, 80 * ms, Heard}, {50 * ms, 80*ms + 1, NotListening},
		{79 * ms, 79 * ms, Heard}, {80 * ms, 80 * ms, NotListening}, {150 * ms, 151 * ms, Heard}, {150 * ms, 260 * ms, NotListening},
	} {
		require.Equal(t, c.want, f.Hear(c.begin, c.end), "%v to %v", c.begin, c.end)
	}
	always := NewFading(Weather{Listen: 100 * ms, ListenEvery: 100 * ms}, streams(1)("weather", 0), 1)
	require.Equal(t, Heard, always.Hear(90*ms, 110*ms), "windows that touch are one")
	early := NewFading(Weather{Listen: 30 * ms, ListenEvery: 100 * ms, ListenFrom: 90 * ms}, streams(1)("weather", 0), 1)
	require.Equal(t, Heard, early.Hear(0, 20*ms), "a window from before 0")
}

func TestWrongUseOfFadingPanics(t *testing.T) {
	f := NewFading(Weather{}, streams(1)("weather", 0), 1)
	f.Hear(ms, 2*ms)
	require.PanicsWithValue(t, "radio: broadcast from 0s to 1ms after one that began at 1ms", func() { f.Hear(0, ms) })
	require.Panics(t, func() { f.Hear(2*ms, ms) })
	require.Panics(t, func() { f.Join(f) })
	require.Panics(t, func() { NewFading(Weather{}, nil, 1) })
	require.Panics(t, func() { NewFading(Weather{Loss: 2}, streams(1)("weather", 0), 1) })
}

func TestWeatherMistakes(t *testing.T) {
	for _, c := range []struct {
		w    Weather
		want string
	}{
		{Weather{}, ""},
		{Weather{Loss: 0.1, Burst: ms}, ""},
		{Weather{Loss: 0.1, GoodLoss: 0.1}, ""},
		{Weather{Loss: 0.1}, "burst: 0s, want a time from 100µs to 87600h0m0s"},
		{Weather{Burst: -ms}, "burst: -1ms, want a time from 100µs to 87600h0m0s"},
		{Weather{Loss: 1.5, GoodLoss: -1, BadLoss: math.NaN()},
			"loss: 1.5, want a share from 0 to 1\ngood_loss: -1, want a share from 0 to 1\nbad_loss: NaN, want a share from 0 to 1\n" +
				"burst: 0s, want a time from 100µs to 87600h0m0s"},
		{Weather{Loss: 0.1, GoodLoss: 0.2}, "good_loss: 0.2, want at most loss (0.1)"},
		{Weather{Loss: 0.5, BadLoss: 0.4, Burst: ms}, "bad_loss: 0.4, want at least loss (0.5)"},
		{Weather{LongShare: 0.1, LongLoss: 2}, "long_loss: 2, want a share from 0 to 1\nlong_burst: 0s, want a time from 100µs to 87600h0m0s"},
		{Weather{GoodBitErrors: 1e-3}, "bit_rate: 0, want the bits per second on the air"},
		{Weather{BadBitErrors: 1e-3, BitRate: 1e6}, "bad_bit_errors: 0.001, want none without a bad state: loss must exceed good_loss"},
		{Weather{BitRate: math.Inf(1), Preamble: -1}, "bit_rate: +Inf, want the bits per second on the air\npreamble: -1ns, want a time of 0 or more"},
		{Weather{Outages: []Span{{ms, 3 * ms}, {2 * ms, 2 * ms}}},
			"outages[1].from: 2ms, want a time from 3ms on: outages stand in order and apart\noutages[1].until: 2ms, want a time after from (2ms)"},
		{Weather{Listen: ms}, "listen_every: 0s, want a period from 1ns to 87600h0m0s"},
		{Weather{Listen: 2 * ms, ListenEvery: ms, ListenFrom: ms},
			"listen: 2ms, want a time up to listen_every (1ms)\nlisten_from: 1ms, want a time from 0 to below listen_every (1ms)"},
	} {
		if err := c.w.Check(); c.want == "" {
			require.NoError(t, err)
		} else {
			require.EqualError(t, err, c.want)
		}
	}
}

func ExampleFading() {
	w := Weather{Loss: 0.2, Burst: 50 * ms, Outages: []Span{{80 * ms, 120 * ms}}}
	f := NewFading(w, streams(5)("weather", 0), 1)
	for at := time.Duration(0); at < 200*ms; at += 40 * ms {
		fmt.Println(at, f.Hear(at, at+ms))
	}
	// Output:
	// 0s heard
	// 40ms heard
	// 80ms outage
	// 120ms faded
	// 160ms heard
}
