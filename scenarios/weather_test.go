package scenarios

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/radio"
)

// Where a display is silent the general weather holds, also for what the plain
// two states do not tell.
func TestWeather(t *testing.T) {
	p := open(t, "testdata/rich.yaml", "weather.bad_bit_errors=1e-4", "receivers.dial.weather.long_loss=90%", "receivers.dial.weather.listen=always")
	preamble, perSecond := p.Radio.Signal()
	require.Equal(t, radio.Weather{
		Loss: 0.02, Burst: 5 * ms, BadLoss: 1,
		LongShare: 0.001, LongBurst: time.Second, LongLoss: 0.9,
		BadBitErrors: 1e-4, BitRate: perSecond, Preamble: preamble,
		Outages: []radio.Span{{From: 2 * time.Second, Until: 2500 * ms}},
	}, p.Receivers[0].Weather)
	require.Equal(t, radio.Weather{
		Loss: 0.02, Burst: 5 * ms, BadLoss: 1,
		LongShare: 0.001, LongBurst: time.Second, LongLoss: 1,
		BadBitErrors: 1e-4, BitRate: perSecond, Preamble: preamble,
		Outages: []radio.Span{{From: 3 * time.Second, Until: 4 * time.Second}},
		Listen:  290 * ms, ListenEvery: 300 * ms,
	}, p.Receivers[1].Weather)
	require.Equal(t, &radio.Weather{Loss: 0.01, Burst: 60 * ms, BitRate: perSecond, Preamble: preamble}, p.Common)
	require.Equal(t, p.Common, p.Neighbours[0].Common)
	for _, r := range p.Receivers {
		require.NoError(t, r.Weather.Check())
	}
	require.Nil(t, open(t, "orchard").Common)
}

// A display can do without an outage of the others.
func TestNoOutages(t *testing.T) {
	require.Empty(t, open(t, "testdata/rich.yaml", "receivers.dial.weather.outages=[]").Receivers[0].Weather.Outages)
}

// What nobody relies on is neither an assumption nor passed over in silence.
func TestIdleWeather(t *testing.T) {
	p := open(t, "testdata/base.yaml", "weather.long_burst=3s", "weather.listen_every=1s")
	require.Equal(t, []string{"no display relies on weather.long_burst, weather.listen_every"}, p.Warnings)
	keys := func(p *Plan) map[string]bool {
		out := map[string]bool{}
		for _, a := range p.Assumptions {
			out[a.Key] = true
		}
		return out
	}
	require.False(t, keys(p)["weather.long_burst"])
	require.False(t, keys(p)["weather.common.burst"])
	p = open(t, "testdata/base.yaml", "weather={long_share: 1%, common: 1%}")
	require.Empty(t, p.Warnings)
	require.True(t, keys(p)["weather.long_burst"])
	require.True(t, keys(p)["weather.common.burst"])
	p = open(t, "testdata/base.yaml", "receivers.dial.weather={loss: 2%}")
	require.False(t, keys(p)["weather.loss"])
	require.True(t, keys(p)["receivers.dial.weather.loss"])
}

// A sender stronger than another by the capture level survives a collision.
func TestNeighbourPower(t *testing.T) {
	p := open(t, "two-tractors", "radio.capture=10", "neighbours.second.power=-12")
	require.Equal(t, -12.0, p.Neighbours[0].Power)
}
