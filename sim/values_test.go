package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// watched is the plainest vehicle with a signal whose changes are followed.
func watched(period, duration time.Duration, loss float64, value traffic.Value, limit scenarios.Limit) *scenarios.Plan {
	plan := bare(period, duration, independent(loss))
	plan.Bus.Messages[0].Fields[0].Value = value
	plan.Receivers[0].Shows[0].Class = scenarios.Event
	plan.Receivers[0].Shows[0].Limit = &limit
	return plan
}

// A pulse of length w in samples every T at a random phase, each lost with chance
// p: with n = floor(w/T), f = w/T - n it is missed with the chance
// p^n (1 - f(1-p)). The same follows from the age in memory: a pulse is missed
// when the age, at a random instant, is more than w. Two ways through the code.
func TestMissedPulsesAreTheTailOfTheAge(t *testing.T) {
	n := 6
	if long() {
		n = 60
	}
	const period = 100 * time.Millisecond
	for _, row := range []struct{ width, loss, missed float64 }{ // in periods; recomputed
		{0.5, 0.1, 0.55}, {1, 0.1, 0.1}, {1.5, 0.1, 0.055}, {2.3, 0.3, 0.0711}, {3, 0.5, 0.125},
	} {
		t.Run(fmt.Sprint(row), func(t *testing.T) {
			whole := math.Floor(row.width)
			truth := math.Pow(row.loss, whole) * (1 - (row.width-whole)*(1-row.loss))
			require.InDelta(t, row.missed, truth, 5e-5)
			width := time.Duration(row.width * float64(period))
			// A distance of an irrational number of periods brings every phase alike, and
			// no two pulses touch.
			pulse := traffic.Value{Kind: traffic.Square, High: 1, Every: 40*period + 61803399, Width: width}
			plan := watched(period, 4000*time.Second, row.loss, pulse, scenarios.Limit{Of: scenarios.OfChange, At: scenarios.InMemory, Quantile: 0.95, Value: width})
			var missed, over sample
			for i := range n {
				r, err := Run(plan, i)
				require.NoError(t, err)
				s := &r.Receivers[0].Signals[0]
				c := s.Values.Changes
				unsent := float64(c.Overwritten) / 2 // a rise and a fall between two frames
				missed.add((float64(c.Rises-c.RisesSeen) + unsent) / (float64(c.Rises) + unsent))
				over.add(float64(s.Memory.OverLimit()) / float64(s.Memory.Observed()))
			}
			require.InDelta(t, truth, missed.mean(), 4*missed.standardError()+1e-3)
			require.InDelta(t, truth, over.mean(), 4*over.standardError()+1e-6)
		})
	}
}

// Sending on change with heartbeat, changes at Poisson instants, each message lost
// with chance p: the glass is wrong for the share w = p c/(1 - p(1-c)) of the time,
// c = 1 - exp(-lam H); the mean age of incorrect information is w times the mean
// age of the newest message (setting of Maatouk et al. 2020). Of a value that toggles
// two lost changes cancel: w = p c/(1 - p + 2 p c).
func TestWrongTimeFollowsItsLaw(t *testing.T) {
	n := 3
	if long() {
		n = 40
	}
	for _, row := range []struct { // recomputed
		lam, beat, loss, wrong, incorrect float64
		toggles                           bool
	}{
		{0.1, 1, 0.1, 0.01046, 0.00625, false}, {1, 1, 0.1, 0.06563, 0.03204, false}, {0.1, 2, 0.3, 0.07209, 0.12569, false},
		{0.01, 5, 0.2, 0.01205, 0.04455, false}, {1, 1, 0.1, 0.06158, 0, true}, {0.1, 2, 0.3, 0.06724, 0, true},
	} {
		t.Run(fmt.Sprint(row), func(t *testing.T) {
			c := -math.Expm1(-row.lam * row.beat)
			truth := row.loss * c / (1 - row.loss*(1-c))
			if row.toggles {
				truth = row.loss * c / (1 - row.loss + 2*row.loss*c)
			}
			require.InDelta(t, row.wrong, truth, 1e-5)
			plan := watched(time.Second, time.Duration(1500*row.beat*1e9), row.loss, traffic.Value{}, scenarios.Limit{Of: scenarios.OfChange, Quantile: 0.95, Value: time.Second})
			plan.Bridge.Policy = bridge.Policy{Kind: bridge.Change, Heartbeat: time.Duration(row.beat * 1e9)}
			step := time.Duration(row.beat * 1e9 / 500)
			var wrong, incorrect, spells sample
			for i := range n {
				d, err := newDriver(plan, i)
				require.NoError(t, err)
				d.vehicles[0].source = &restless{period: step, rate: row.lam, toggles: row.toggles, dice: rand.New(rand.NewPCG(uint64(i), 8))}
				d.run()
				w := d.result(i).Receivers[0].Signals[0].Values.Wrong
				observed := w.Observed.Seconds()
				wrong.add(w.Time.Seconds() / observed)
				incorrect.add(w.TwiceArea.Float64() / 2 / 1e18 / observed)
				spells.add(float64(w.Spells) / observed)
			}
			require.InDelta(t, truth, wrong.mean(), 4*wrong.standardError()+0.004*truth)
			if !row.toggles {
				require.InDelta(t, row.incorrect, incorrect.mean(), 4*incorrect.standardError()+0.01*row.incorrect)
			}
			require.Positive(t, spells.mean())
		})
	}
}

// Independent losses: a deadline just short of the period is missed whenever the
// value is lost. Of k deadlines in a row at least m are met with the binomial
// probability, and a streak of L misses begins every (p^-L - 1)/(1-p) values
// (Feller, "An Introduction to Probability Theory", vol. 1, XIII.7).
func TestStreaksFollowTheBinomialLaw(t *testing.T) {
	n := 6
	if long() {
		n = 60
	}
	const period = 100 * time.Millisecond
	for _, row := range []struct {
		loss    float64
		met, of int
		kept    float64 // recomputed
	}{{0.1, 1, 3, 0.999}, {0.1, 2, 3, 0.972}, {0.1, 8, 10, 0.929809}, {0.3, 1, 3, 0.973}} {
		t.Run(fmt.Sprint(row), func(t *testing.T) {
			plan := bare(period, 2000*time.Second, independent(row.loss))
			s := &plan.Receivers[0].Shows[0]
			s.Limit = &scenarios.Limit{Quantile: 0.99, Value: period - ms}
			s.Firm = scenarios.Firm{Met: row.met, Of: row.of}
			var kept, missed, runs sample
			for i := range n {
				r, err := Run(plan, i)
				require.NoError(t, err)
				d := r.Receivers[0].Signals[0].Deadlines
				kept.add(float64(d.Kept) / float64(d.Windows))
				missed.add(float64(d.Missed) / float64(d.Count))
				runs.add(float64(d.Streaks[2]) / float64(d.Count))
			}
			require.InDelta(t, row.kept, kept.mean(), 4*kept.standardError()+1e-6)
			require.InDelta(t, row.loss, missed.mean(), 4*missed.standardError())
			// A streak that goes on counts once: it begins after a value that was met.
			require.InDelta(t, (1-row.loss)*math.Pow(row.loss, 3), runs.mean(), 4*runs.standardError()+1e-6)
		})
	}
}

// A display that is switched on at a random time sees its first value after the
// rest of the period and as many periods as values are lost: T/2 + T p/(1-p).
func TestFirstPictureFollowsTheClosedForm(t *testing.T) {
	n := 300
	if long() {
		n = 5000
	}
	const period, loss = 100 * time.Millisecond, 0.3
	plan := bare(period, time.Second, independent(loss))
	plan.Receivers[0].PowerUp = 10 * time.Second
	var first sample
	for i := range n {
		r, err := Run(plan, i)
		require.NoError(t, err)
		s := r.Receivers[0].Signals[0]
		require.True(t, s.Seen)
		first.add(s.First.Seconds())
	}
	require.InDelta(t, period.Seconds()*(0.5+loss/(1-loss)), first.mean(), 4*first.standardError()+wire)
}

// The first complete picture of N values, each in a frame of its own at a random
// phase: done by t with the chance prod(1 - C(t)), C being the share of time with an
// age above t in memory, p^k (1 - (1-p) r/T) at t = kT + r. The mean is the integral
// of the rest; it was found by an independent Monte-Carlo too.
func TestFirstCompletePictureFollowsTheClosedForm(t *testing.T) {
	n := 400
	if long() {
		n = 8000
	}
	const period = 100 * time.Millisecond
	for _, row := range []struct {
		values         int
		loss           float64
		mean, p50, p95 float64 // in periods
	}{{values: 10, loss: 0.1, mean: 1.4402, p50: 1.367, p95: 2.541}, {values: 20, loss: 0.3, mean: 3.0868, p50: 2.888, p95: 4.980}} {
		t.Run(fmt.Sprint(row.values), func(t *testing.T) {
			waiting := func(x float64) float64 {
				k := math.Floor(x)
				return 1 - math.Pow(1-math.Pow(row.loss, k)*(1-(1-row.loss)*(x-k)), float64(row.values))
			}
			integral := 0.
			for x := 5e-4; x < 40; x += 1e-3 {
				integral += 1e-3 * waiting(x)
			}
			require.InDelta(t, row.mean, integral, 3e-3)
			plan := bare(period, time.Second, independent(row.loss))
			message, show, entry := plan.Bus.Messages[0], plan.Receivers[0].Shows[0], plan.Bridge.Forward[0]
			for range row.values - 1 {
				message.ID++
				message.Name += "+"
				show.ID, entry.ID = message.ID, message.ID
				plan.Bus.Messages = append(plan.Bus.Messages, message)
				plan.Receivers[0].Shows = append(plan.Receivers[0].Shows, show)
				plan.Bridge.Forward = append(plan.Bridge.Forward, entry)
			}
			plan.Receivers[0].PowerUp = 10 * time.Second
			var mean, half, most sample
			for i := range n {
				r, err := Run(plan, i)
				require.NoError(t, err)
				d := &r.Receivers[0]
				last := time.Duration(0)
				for k := range d.Signals {
					require.True(t, d.Signals[k].Seen || !d.Filled)
					last = max(last, d.Signals[k].First)
				}
				require.True(t, d.Filled)
				require.Equal(t, last, d.FirstPicture)
				took := d.FirstPicture.Seconds() / period.Seconds()
				mean.add(took)
				half.add(indicator(took > row.p50))
				most.add(indicator(took > row.p95))
			}
			require.InDelta(t, integral, mean.mean(), 4*mean.standardError()+1e-3)
			require.InDelta(t, waiting(row.p50), half.mean(), 4*half.standardError()+1e-3)
			require.InDelta(t, waiting(row.p95), most.mean(), 4*most.standardError()+1e-3)
			require.InDelta(t, .05, waiting(row.p95), 2e-3)
		})
	}
}

// indicator is 1 where something holds, so that its mean is how often it does.
func indicator(holds bool) float64 {
	if holds {
		return 1
	}
	return 0
}

// script is a bus that carries what a test says.
type script struct {
	frames []bus.Frame
	next   int
}

func (s *script) Next(f *bus.Frame) bool {
	if s.next == len(s.frames) {
		return false
	}
	*f = s.frames[s.next]
	s.next++
	return true
}

// A gap of the traffic: what was due before it was met or missed by what the glass
// showed then, and what was not due yet counts neither way.
func TestDeadlinesEndAtAGap(t *testing.T) {
	plan := bare(100*ms, 9*time.Second, radio.Weather{})
	s := &plan.Receivers[0].Shows[0]
	s.Limit, s.Firm = &scenarios.Limit{Quantile: 0.99, Value: 150 * ms}, scenarios.Firm{Met: 1, Of: 1}
	d, err := newDriver(plan, 0)
	require.NoError(t, err)
	traffic := &script{}
	for i := range 120 {
		at := time.Duration(i) * 100 * ms
		traffic.frames = append(traffic.frames, bus.Frame{At: at, Released: at, ID: 0x120, Length: 8, Message: -1, AfterGap: i == 50})
	}
	d.vehicles[0].source = traffic
	d.run()
	found := d.result(0).Receivers[0].Signals[0].Deadlines
	// The window is 1 s to 10 s: values from 1 s to 9.8 s, but for that of 4.9 s,
	// which was not due when the traffic ended.
	require.EqualValues(t, 89-1, found.Count)
	require.Zero(t, found.Missed)
}

// Five values, one frame every 100 ms: 7 from 1 s on, 9 from 3 s to 3.4 s, 7 again.
// The display draws once a second for 100 ms, from 0 on.
func TestChangesAreCountedByHand(t *testing.T) {
	plan := watched(100*ms, 9*time.Second, 0, traffic.Value{}, scenarios.Limit{Of: scenarios.OfChange, Quantile: 0.95, Value: 700 * ms})
	plan.FixedPhases = true
	plan.Receivers[0].Redraw, plan.Receivers[0].Draw = time.Second, 100*ms
	d, err := newDriver(plan, 0)
	require.NoError(t, err)
	s := &script{}
	for i := range 120 {
		at := time.Duration(i) * 100 * ms
		raw := byte(0)
		switch {
		case at >= 3*time.Second && at < 3400*ms:
			raw = 9
		case at >= time.Second:
			raw = 7
		}
		f := bus.Frame{At: at, Released: at, ID: 0x120, Length: 8, Message: -1}
		f.Data[0] = raw
		s.frames = append(s.frames, f)
	}
	d.vehicles[0].source = s
	d.run()
	r := d.result(0).Receivers[0]
	v := r.Signals[0].Values
	// The window begins at 1 s: 0 to 7 there, 7 to 9 at 3 s, 9 to 7 at 3.4 s. All
	// three are drawn: the redraws of 1 s, 3 s and 4 s see them.
	require.Equal(t, Changes{Count: 3, InTime: 3, Rises: 3, RisesSeen: 3}, v.Changes)
	require.Equal(t, 700*ms, v.Delays.Max())
	// Wrong from 1 s to 1.1 s, 3 s to 3.1 s, 3.4 s to 4.1 s.
	require.EqualValues(t, 3, v.Wrong.Spells)
	require.Equal(t, 900*ms, v.Wrong.Time)
	require.Equal(t, 700*ms, v.Wrong.Longest)
}

// Frames too short for the signal tell nothing of its value, first ones and later ones.
func TestFramesTooShortForTheirSignal(t *testing.T) {
	for _, short := range []int{0, 55} {
		for _, at := range []scenarios.Place{scenarios.AtGlass, scenarios.InMemory} {
			plan := watched(100*ms, 9*time.Second, 0, traffic.Value{}, scenarios.Limit{Of: scenarios.OfChange, At: at, Quantile: 0.95, Value: 700 * ms})
			plan.Receivers[0].Shows[0].Signal.Start = 16
			d, err := newDriver(plan, 0)
			require.NoError(t, err)
			s := &script{}
			for i := range 120 {
				f := bus.Frame{At: time.Duration(i) * 100 * ms, Released: time.Duration(i) * 100 * ms, ID: 0x120, Length: 8, Message: -1}
				if i >= short {
					f.Length = 2
				}
				s.frames = append(s.frames, f)
			}
			d.vehicles[0].source = s
			d.run()
			v := d.result(0).Receivers[0].Signals[0].Values
			require.Zero(t, v.Changes)
			require.Zero(t, v.Wrong.Time)
		}
	}
}
