package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
)

// What advertising sends again is always the newest, so that a receiver knows a bridge
// that numbers anew at once and is not blind until its numbers have caught up.
func TestARestartBehindAdvertising(t *testing.T) {
	plan := onRadio(t, bare(100*ms, 20*time.Second, radio.Weather{}), radio.Settings{Name: "ble-legacy", Interval: 30 * ms})
	plan.Resets = []bridge.Span{{From: 12 * time.Second, Until: 13 * time.Second}}
	r, err := Run(plan, 0)
	require.NoError(t, err)
	requireClosedLedgers(t, r)
	display := &r.Receivers[0]
	require.EqualValues(t, 1, display.Restarts)
	require.NotZero(t, display.RecordFates[fate.RecordDuplicate], "the same again, as ever")
	require.Less(t, display.Signals[0].Glass.Peaks().Max(), 1500*ms)
}

// Copies of 7 and 8 that come in turns are duplicates, and no restart.
func TestAProbeKnowsCopies(t *testing.T) {
	p := NewProbe(bare(100*ms, 10*time.Second, radio.Weather{}))
	for i, sequence := range []uint16{7, 8, 7, 8} {
		b := &bridge.Broadcast{Sequence: sequence}
		b.Records = []bridge.Record{{Page: bridge.NoPage, ValidAt: time.Duration(sequence) * ms}}
		b.Retain(1 << 30)
		p.Hear(time.Duration(100+i)*ms, b, false)
	}
	r := p.Close(time.Second).Receivers[0]
	require.EqualValues(t, 2, r.RecordFates[fate.RecordTaken])
	require.EqualValues(t, 2, r.RecordFates[fate.RecordDuplicate])
	require.Zero(t, r.Restarts)
}

// What an advertising event sends, the first one and the first after a restart too, is
// chosen when it begins: it is never older than a message, a table and the way to it.
func TestEveryEventSendsTheNewest(t *testing.T) {
	plan := onRadio(t, bare(100*ms, 60*time.Second, radio.Weather{}), radio.Settings{Name: "ble-legacy", Interval: 2 * time.Second})
	plan.Bridge.Policy = bridge.Policy{Kind: bridge.Table, Every: 10 * ms}
	plan.Resets = []bridge.Span{{From: 20 * time.Second, Until: 25 * time.Second}}
	for i := range 5 {
		sent := 0
		_, err := RunTapped(plan, i, func(s Sending) {
			sent++
			require.LessOrEqual(t, s.Begun-s.Broadcast.Records[0].ValidAt, 115*ms, "of the event at %v", s.Begun)
		})
		require.NoError(t, err)
		require.Greater(t, sent, 20)
	}
}

// A duty limit that wants silence outlasts a restart of the bridge: what waits for the
// air is not chosen before it is free.
func TestARestartInsideADutySilence(t *testing.T) {
	plan := onRadio(t, bare(20*ms, 10*time.Minute, radio.Weather{}), radio.Settings{Name: "gfsk-packet", Duty: 0.0001})
	plan.Bridge.Policy = bridge.Policy{Kind: bridge.Table, Every: 100 * ms}
	for at := time.Duration(1); at < 60; at++ {
		plan.Resets = append(plan.Resets, bridge.Span{From: at * 10 * time.Second, Until: at*10*time.Second + 50*ms})
	}
	_, err := RunTapped(plan, 0, func(s Sending) {
		require.LessOrEqual(t, s.Begun-s.Broadcast.Records[0].ValidAt, 125*ms, "of the broadcast at %v", s.Begun)
	})
	require.NoError(t, err)
}
