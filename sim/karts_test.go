package sim

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// karts is the kart grid with so many karts in all, without fading.
func karts(t *testing.T, n int, sets ...string) *scenarios.Plan {
	t.Helper()
	plan, err := scenarios.Open("kart-grid", append(sets, "weather.loss=0%", fmt.Sprint("neighbours.kart.count=", n-1)))
	require.NoError(t, err, sets)
	return plan
}

// delivered is the share of the records that did not collide, over all karts.
func delivered(r *Replication) (share float64, records uint64) {
	var collided uint64
	count := func(fates [fate.Records]uint64) {
		for f, n := range fates {
			if f != int(fate.RecordNotPowered) && f != int(fate.RecordInFlightAtEnd) {
				records += n
			}
		}
		collided += fates[fate.RecordCollided]
	}
	count(r.Receivers[0].RecordFates)
	for _, n := range r.Neighbours {
		count(n.RecordFates)
	}
	return 1 - float64(collided)/float64(records), records
}

// kartCounts are the grids that are looked at.
func kartCounts() []int {
	if !long() {
		return []int{5}
	}
	var all []int
	for n := 1; n <= 40; n++ {
		all = append(all, n)
	}
	return all
}

// Karts that always have a broadcast ready, against the model of Bianchi 2000 with
// a window that never grows (one stage): of n stations each sends in a slot with
// tau = 2/(W+1), W = CW+1, and a broadcast is delivered with (1-tau)^(n-1). With
// the counters frozen as the standard has it the slot behind a busy period is
// free for who has just sent, so from n = 10 on the form is too low (Tinnirello,
// Bianchi, Xiao 2010): there an independent Monte-Carlo of that rule gave 0.5726,
// 0.3144 and 0.0694 for 10, 20 and 50.
func TestSaturatedKartsFollowBianchi(t *testing.T) {
	const tau = 2.0 / 33
	for _, n := range kartCounts() {
		plan := karts(t, n, "bridge.policy=each", "bus.messages.Pedals.period=1ms")
		plan.Duration = 3e9
		var s sample
		for i := range 10 {
			r, err := Run(plan, i)
			require.NoError(t, err)
			requireClosedLedgers(t, r)
			share, _ := delivered(r)
			s.add(share)
		}
		form := math.Pow(1-tau, float64(n-1))
		// Records of 4 and of 8 bytes weigh the same; the first second, before the
		// queues are full, is part of the ledgers.
		tolerance := 4*s.standardError() + 0.007
		switch {
		case n <= 5:
			require.InDelta(t, form, s.mean(), tolerance, "%d karts", n)
		case n == 10:
			require.InDelta(t, 0.5726, s.mean(), tolerance, "%d karts", n)
		case n == 20:
			require.InDelta(t, 0.3144, s.mean(), tolerance, "%d karts", n)
		default:
			require.InDelta(t, form, s.mean(), tolerance+0.05, "%d karts", n)
			require.GreaterOrEqual(t, s.mean(), form-tolerance, "%d karts", n)
		}
		t.Logf("%2d karts: %.4f delivered, form %.4f", n, s.mean(), form)
	}
}

// Karts that send their table every 50 ms without listening: another one hits a
// broadcast of length T with 2 T / 50 ms, so that (1 - 2 T/50ms)^(n-1) of them
// are delivered, which for many becomes the exp(-2 (n-1) rate T) of ALOHA
// (Abramson 1970).
func TestDeafKartsFollowALOHA(t *testing.T) {
	for _, n := range kartCounts() {
		plan := karts(t, n, "radio.defers=false", "bridge.policy=table", "bridge.policy.every=50ms")
		plan.Duration = 100e6
		var s sample // equal periods keep their phases: one run is one draw of them
		for i := range 300 {
			r, err := Run(plan, i)
			require.NoError(t, err)
			share, _ := delivered(r)
			s.add(share)
		}
		bytes := 7 // of the header
		for _, data := range []int{4, 8, 8, 1} {
			bytes += 3 + data
		}
		length := plan.Radio.Airtime(bytes).Seconds()
		form := math.Pow(1-2*length/0.05, float64(n-1))
		// The first tables hold fewer records.
		require.InDelta(t, form, s.mean(), 4*s.standardError()+0.005, "%d karts", n)
		t.Logf("%2d karts: %.4f delivered, form %.4f", n, s.mean(), form)
	}
}

// Twenty karts are one word on the command line, and each has a set of its own.
func TestNineteenNeighbours(t *testing.T) {
	plan, err := scenarios.Open("kart-grid", []string{"neighbours.kart.count=19", "duration=5s"})
	require.NoError(t, err)
	r, err := Run(plan, 0)
	require.NoError(t, err)
	requireClosedLedgers(t, r)
	require.Equal(t, 19, r.Neighbours[0].Count)
	require.NotZero(t, r.Receivers[0].Foreign[fate.ForeignIgnored], "the other karts are heard, and ignored")
}
