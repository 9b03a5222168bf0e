package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Three neighbours send the same identifiers with other values, on a medium where
// nothing collides and to displays that take no time for them: each display shows
// to the nanosecond what it shows without them, right and wrong values included.
func TestNoValueOfAForeignSetIsShown(t *testing.T) {
	switching := func(low, high float64, half time.Duration) *scenarios.Plan {
		plan := bare(20*ms, 10*time.Second, radio.Weather{})
		plan.FixedPhases = true
		plan.Radio = ideal(ms)
		plan.Bridge.Airtime = plan.Radio.Airtime
		plan.Bridge.Policy = bridge.Policy{Kind: bridge.Fill, Hold: 30 * ms}
		gauge := signal.Definition{Name: "gauge", Bits: 12, Scale: 1, Page: signal.AnyPage}
		plan.Bus.Messages[0].Fields = []traffic.Field{{Signal: gauge, Value: traffic.Value{Kind: traffic.Square, Low: low, High: high, Every: 2 * half, Width: half}}}
		w := &plan.Receivers[0]
		w.Redraw, w.Draw = 50*ms, 10*ms
		w.Shows[0].Signal, w.Shows[0].Class = gauge, scenarios.State
		w.Shows[0].Limit = &scenarios.Limit{Of: scenarios.OfChange, Quantile: .95, Value: 200 * ms}
		return plan
	}
	plan := switching(1, 2, 700*ms)
	alone, err := Run(plan, 0)
	require.NoError(t, err)
	require.NotNil(t, alone.Receivers[0].Signals[0].Values, "values are followed")
	require.NotZero(t, alone.Receivers[0].Signals[0].Values.Wrong, "and wrong for a while after each change")

	other := switching(3, 4, 130*ms).Vehicle
	other.Bridge.Layout.Set = plan.Bridge.Layout.Set + 1
	plan.Neighbours = []scenarios.Neighbour{{Name: "other", Count: 3, Vehicle: other}}
	crowded, err := Run(plan, 0)
	require.NoError(t, err)
	requireClosedLedgers(t, crowded)
	heard := crowded.Receivers[0].Foreign[fate.ForeignIgnored]
	require.Greater(t, heard, uint64(500))
	crowded.Receivers[0].Foreign = alone.Receivers[0].Foreign
	require.Equal(t, alone.Receivers, crowded.Receivers)
}
