package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// A limit on the time on air holds in the run, whether what lies beyond it waits
// or is dropped, and what it drops has a fate of its own. Over a long window the
// limit may be exceeded by what one broadcast takes.
func TestLimitsOnTheTimeOnAir(t *testing.T) {
	for _, c := range []struct {
		sets    []string
		most    float64
		dropped fate.Frame
	}{
		{[]string{"radio.radiated=100mW", "radio.utilisation=1%"}, 0.01, fate.FrameSendQueueFull},
		{[]string{"radio.radiated=50mW", "radio.utilisation=1%", "bridge.limit.on_limit=drop"}, 0.02, fate.FrameRateLimited},
		{[]string{"radio.profile=802.15.4", "radio.radiated=100mW", "radio.utilisation=3%", "bridge.limit.air_share=50%"}, 0.03, fate.FrameSendQueueFull},
		{[]string{"radio.profile=802.15.4", "radio.radiated=100mW", "radio.utilisation=50%", "bridge.limit.air_share=2%"}, 0.02, fate.FrameSendQueueFull},
		{[]string{"radio.profile=gfsk-packet", "radio.duty=2%"}, 0.02, fate.FrameSendQueueFull},
		{[]string{"radio.profile=gfsk-packet", "radio.duty=2%", "radio.duty_rule=drop"}, 0.02, fate.FrameAccessFailed},
		{[]string{"radio.profile=lora", "radio.sub_band=869.4-869.65"}, 0.1, fate.FrameSendQueueFull},
		{[]string{"radio.profile=lora", "radio.duty_rule=drop"}, 0.01, fate.FrameAccessFailed},
	} {
		plan, err := scenarios.Open("orchard", append(c.sets, "duration=120s"))
		require.NoError(t, err, c.sets)
		r, err := Run(plan, 0)
		require.NoError(t, err)
		requireClosedLedgers(t, r)
		window := r.Air.Window
		over := plan.Radio.Airtime(plan.Radio.MaxPayload())
		require.LessOrEqual(t, r.Air.Own, time.Duration(c.most*float64(window))+over, c.sets)
		require.GreaterOrEqual(t, float64(r.Air.Own+over), c.most*float64(window)/2, "the limit is used: %v", c.sets)
		require.NotZero(t, r.FrameFates[c.dropped], c.sets)
		require.Zero(t, r.FrameFates[fate.FrameSendTimeout], "nobody gives up on a slow radio: %v", c.sets)
	}
}

// What waits for a duty limit waits in the bridge, so a table sends the values of
// the instant at which it may: the age of what is heard does not grow with the
// silence before it.
func TestATableIsSampledWhenTheDutyCycleAllows(t *testing.T) {
	plan := onRadio(t, bare(20*ms, 10*time.Minute, radio.Weather{}), radio.Settings{Name: "gfsk-packet", Duty: 0.0002})
	plan.Bridge.Policy = bridge.Policy{Kind: bridge.Table, Every: 100 * ms}
	r, err := Run(plan, 0)
	require.NoError(t, err)
	requireClosedLedgers(t, r)
	latency := r.Receivers[0].Signals[0].Memory.Latencies()
	interval := r.Receivers[0].Signals[0].Memory.Intervals()
	require.Greater(t, interval.Mean(), float64(time.Second), "one broadcast in a second")
	require.Less(t, latency.Max(), 125*ms, "no older than a table and a message")
}

// A measured trace in a run: the share lost is that of the trace at any rate of
// sending, and scans of other channels come on top as outages.
func TestTraceInARun(t *testing.T) {
	var samples []radio.Sample
	for i, c := range "1101111100011111" { // 4 of 16 lost
		samples = append(samples, radio.Sample{At: time.Duration(i) * 7 * ms, Received: c == '1'})
	}
	trace, err := radio.NewTrace(samples)
	require.NoError(t, err)
	plan := bare(20*ms+37*time.Microsecond, time.Hour, radio.Weather{Trace: trace, Away: 100 * ms, AwayEvery: time.Second})
	r, err := Run(plan, 0)
	require.NoError(t, err)
	requireClosedLedgers(t, r)
	fates, n := r.Receivers[0].RecordFates, float64(r.Records)
	require.InDelta(t, 0.1, float64(fates[fate.RecordOutage])/n, 0.001)
	// Sending and trace have no grid in common: every part of it is met as often.
	require.InDelta(t, 0.9*0.25, float64(fates[fate.RecordFaded])/n, 0.002)
}
