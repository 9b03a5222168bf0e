package sim

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// small is a vehicle of four messages with fixed phases, two displays and no
// loss, on a medium that takes a millisecond.
func small(policy bridge.Policy) *scenarios.Plan {
	plan := bare(20*ms, 5*time.Second, radio.Weather{})
	plan.FixedPhases = true
	plan.Radio = ideal(ms)
	plan.Bridge.Airtime = plan.Radio.Airtime
	plan.Bridge.Policy = policy
	plan.Bus.BitRate = 500_000
	plan.Bus.Messages, plan.Bridge.Forward = nil, nil
	show := plan.Receivers[0].Shows[0]
	plan.Receivers[0].Shows = nil
	for i, period := range []time.Duration{10 * ms, 20 * ms, 50 * ms, 100 * ms} {
		id := bus.ID(0x100 + i)
		plan.Bus.Messages = append(plan.Bus.Messages, traffic.Message{
			Name: fmt.Sprint("M", i), ID: id, Length: 8, Period: period, Phase: traffic.PhaseFixed, Offset: time.Duration(i+1) * ms,
		})
		plan.Bridge.Forward = append(plan.Bridge.Forward, bridge.Forward{ID: id, Length: 8, Need: bridge.Need{Period: period}})
		show.ID, show.Period = id, period
		plan.Receivers[0].Shows = append(plan.Receivers[0].Shows, show)
	}
	slow := plan.Receivers[0]
	slow.Name, slow.PowerUp, slow.Redraw, slow.Draw, slow.Handler = "slow", 2*time.Second, 100*ms, 30*ms, ms
	plan.Receivers = append(plan.Receivers, slow)
	return plan
}

// ages returns twice the area under every age, of every receiver and signal.
func ages(t *testing.T, plan *scenarios.Plan) (areas []age.Int128, r *Replication) {
	t.Helper()
	r, err := Run(plan, 0)
	require.NoError(t, err)
	for _, w := range r.Receivers {
		for _, s := range w.Signals {
			areas = append(areas, s.Floor.TwiceArea(), s.Memory.TwiceArea(), s.Glass.TwiceArea())
		}
	}
	return areas, r
}

// A broadcast that holds one record leaves as soon as its record is there.
func TestFillOfOneRecordIsEach(t *testing.T) {
	want, _ := ages(t, small(bridge.Policy{Kind: bridge.Each}))
	got, _ := ages(t, small(bridge.Policy{Kind: bridge.Fill, MaxRecords: 1, Hold: time.Second}))
	require.Equal(t, want, got)
	got, _ = ages(t, small(bridge.Policy{Kind: bridge.Fill, Hold: 0}))
	require.Equal(t, want, got)
}

// Without loss, other senders and full queues, every record that is sent is
// heard by every receiver that is on.
func TestEverythingSentIsHeard(t *testing.T) {
	for _, policy := range []bridge.Policy{
		{Kind: bridge.Each}, {Kind: bridge.Fill, Hold: 30 * ms}, {Kind: bridge.Table, Every: 30 * ms},
		{Kind: bridge.Change, MinGap: 20 * ms, Heartbeat: 100 * ms}, {Kind: bridge.Slack, Slack: bridge.DefaultSlack(0.2)},
	} {
		_, r := ages(t, small(policy))
		for _, w := range r.Receivers {
			f := w.RecordFates
			heard := f[fate.RecordTaken] + f[fate.RecordSame] + f[fate.RecordInFlightAtEnd]
			require.Equal(t, r.Records-f[fate.RecordNotPowered], heard)
			require.NotZero(t, f[fate.RecordTaken])
		}
		require.Zero(t, r.Receivers[0].RecordFates[fate.RecordNotPowered])
		require.NotZero(t, r.Receivers[1].RecordFates[fate.RecordNotPowered])
	}
}

// With every time four times as long, every age is: its area grows sixteenfold.
func TestAgesScaleWithTime(t *testing.T) {
	const k = 4
	for _, policy := range []bridge.Policy{{Kind: bridge.Each}, {Kind: bridge.Fill, Hold: 30 * ms}, {Kind: bridge.Table, Every: 30 * ms, Phase: 7 * ms}} {
		plan := small(policy)
		// The window starts a second after power-up at least: start there, and
		// let the slowest period decide in both runs.
		for i := range plan.Receivers {
			plan.Receivers[i].Shows[0].Period = time.Second
		}
		want, _ := ages(t, plan)

		slow := plan
		slow.Duration *= k
		slow.Bus.BitRate /= k
		slow.Radio = ideal(k * ms)
		slow.Bridge.Airtime = slow.Radio.Airtime
		slow.Bridge.Policy.Hold *= k
		slow.Bridge.Policy.Every *= k
		slow.Bridge.Policy.Phase *= k
		for i := range slow.Bus.Messages {
			slow.Bus.Messages[i].Period *= k
			slow.Bus.Messages[i].Offset *= k
		}
		for i := range slow.Receivers {
			w := &slow.Receivers[i]
			w.PowerUp, w.Handler, w.Redraw, w.Draw = k*w.PowerUp, k*w.Handler, k*w.Redraw, k*w.Draw
			w.Shows[0].Period = k * time.Second
		}
		got, _ := ages(t, slow)
		for i := range want {
			var grown age.Int128
			for range k * k {
				grown = grown.Add(want[i])
			}
			require.Equal(t, grown, got[i])
		}
	}
}

// Everything forwarded, one record a broadcast, at 1 Mbit/s: the medium is asked
// for about twice the time there is, so about half gets out. Batched to the
// payload limit the same traffic needs about a quarter.
func TestForwardingEverythingAsksForTwiceTheAir(t *testing.T) {
	profile, err := radio.NewProfile(radio.Settings{Name: "action-frame", Rate: 1_000_000})
	require.NoError(t, err)
	plan := crowded(profile)
	var rate float64 // frames a second
	for _, m := range plan.Bus.Messages {
		rate += 1 / m.Period.Seconds()
	}
	codec := bridge.NewCodec(plan.Bridge.Layout, plan.Bridge.Forward)
	// Mean access of a lone sender: DIFS 50 us and half of 31 slots of 20 us
	// (IEEE 802.11-2016, clause 15.3.3).
	const access = 50e-6 + 31*20e-6/2
	occupied := func(records int) float64 {
		return profile.Airtime(codec.HeaderSize()+records*codec.RecordSize(0, 8)).Seconds() + access
	}
	asked := rate * occupied(1)
	require.InDelta(t, 2.0, asked, 0.1)

	r, err := Run(plan, 0)
	require.NoError(t, err)
	sent := float64(r.Records) / float64(r.Frames)
	// The access time is uniform on 32 slots: over n broadcasts its mean has a
	// standard error of 9.23 slots / math.Sqrt(n).
	tolerance := 4 * 9.23 * 20e-6 / occupied(1) / asked / math.Sqrt(float64(r.Records))
	require.InDelta(t, 1/asked, sent, tolerance+40/float64(r.Frames))

	plan.Bridge.Policy = bridge.Policy{Kind: bridge.Fill, Hold: time.Second}
	r, err = Run(plan, 0)
	require.NoError(t, err)
	full := (profile.MaxPayload() - codec.HeaderSize()) / codec.RecordSize(0, 8)
	want := rate / float64(full) * occupied(full)
	require.InDelta(t, 0.25, want, 0.02)
	require.InDelta(t, want, r.Air.Occupied.Seconds()/r.Air.Window.Seconds(), 0.02)
	require.Equal(t, r.Frames, r.FrameFates[fate.FrameSent]+r.FrameFates[fate.FrameInsideAtEnd])
}

// crowded is a bus of 96 identifiers and 1,934.8 frames a second, all forwarded.
func crowded(profile radio.Profile) *scenarios.Plan {
	plan := bare(20*ms, 20*time.Second, radio.Weather{})
	plan.Radio = profile
	plan.Bridge.MaxPayload, plan.Bridge.Airtime = profile.MaxPayload(), profile.Airtime
	plan.Bridge.SendQueue = bridge.SendQueue{Depth: 32}
	plan.Bus.BitRate = 500_000
	plan.Bus.Messages, plan.Bridge.Forward = nil, nil
	for _, row := range []struct {
		period time.Duration
		count  int
	}{
		{10 * ms, 8}, {20 * ms, 12}, {50 * ms, 8}, {100 * ms, 30}, {200 * ms, 8}, {500 * ms, 8}, {time.Second, 18}, {5 * time.Second, 4},
	} {
		for range row.count {
			id := bus.ID(0x100 + len(plan.Bus.Messages))
			plan.Bus.Messages = append(plan.Bus.Messages, traffic.Message{Name: id.String(), ID: id, Length: 8, Period: row.period})
			plan.Bridge.Forward = append(plan.Bridge.Forward, bridge.Forward{ID: id, Length: 8})
		}
	}
	plan.Receivers[0].Shows[0].ID = 0x100
	return plan
}
