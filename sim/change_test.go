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
)

// restless is a bus of one message, sent so often that its period does not
// matter, whose value changes at Poisson instants.
type restless struct {
	period, at, change time.Duration
	rate               float64 // changes a second
	value              byte
	toggles            bool // between two values
	dice               *rand.Rand
}

func (s *restless) Next(f *bus.Frame) bool {
	s.at += s.period
	if s.at >= s.change {
		s.value++
		if s.toggles {
			s.value &= 1
		}
		s.change = s.at + time.Duration(s.dice.ExpFloat64()/s.rate*1e9)
	}
	*f = bus.Frame{At: s.at, Released: s.at, ID: 0x120, Length: 8, Message: -1}
	f.Data[0] = s.value
	return true
}

// Sending on change with a heartbeat that every sending starts over: changes at
// Poisson instants of rate lam, heartbeat H, independent loss p. The times between
// sendings are Y = min(Exp(lam), H), those between receptions a geometric number of
// them, and the age of the newest message is E[S^2]/(2 E[S]) (renewal argument;
// setting of Maatouk, Kriouile, Assaad, Ephremides 2020).
func TestChangeWithHeartbeatThroughTheWholeChain(t *testing.T) {
	n := 4
	if long() {
		n = 40
	}
	for _, row := range []struct{ lam, beat, loss, age float64 }{ // age recomputed, in seconds
		{0.1, 1, 0.1, 0.59740}, {1, 1, 0.1, 0.48826}, {0.1, 2, 0.3, 1.74356}, {0.01, 5, 0.2, 3.69843},
	} {
		t.Run(fmt.Sprint(row), func(t *testing.T) {
			c := -math.Expm1(-row.lam * row.beat)
			mean := c / row.lam
			square := 2 / (row.lam * row.lam) * (1 - math.Exp(-row.lam*row.beat)*(1+row.lam*row.beat))
			p, q := row.loss, 1-row.loss
			between := (square-mean*mean)/q + (1+p)*mean*mean/(q*q)
			truth := between / (2 * mean / q)
			require.InDelta(t, row.age, truth, 6e-6)

			plan := bare(time.Second, time.Duration(1000*row.beat*1e9), independent(row.loss))
			plan.Bridge.Policy = bridge.Policy{Kind: bridge.Change, Heartbeat: time.Duration(row.beat * 1e9)}
			step := time.Duration(row.beat * 1e9 / 500)
			var ages, rate sample
			for i := range n {
				d, err := newDriver(plan, i)
				require.NoError(t, err)
				d.vehicles[0].source = &restless{period: step, rate: row.lam, dice: rand.New(rand.NewPCG(uint64(i), 7))}
				d.run()
				r := d.result(i)
				ages.add(r.Receivers[0].Signals[0].Glass.Mean() / 1e9)
				rate.add(float64(r.Air.Broadcasts) / r.Air.Window.Seconds())
			}
			// What the message period adds: half of it, to the interval after a
			// change or to the age of a heartbeat's value.
			slack := step.Seconds()
			require.InDelta(t, truth+slack/2, ages.mean(), 4*ages.standardError()+slack)
			require.InDelta(t, 1/mean, rate.mean(), 4*rate.standardError()+slack/mean/mean)
		})
	}
}
