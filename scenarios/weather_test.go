package scenarios

import (
	"os"
	"path/filepath"
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

// A position gives what is not given: its figures stand under the values of the
// same display and of the same or an upper text, and say that they are
// illustrative.
func TestPosition(t *testing.T) {
	base := func(sets ...string) radio.Weather {
		w := open(t, "testdata/base.yaml", sets...).Receivers[0].Weather
		return radio.Weather{Loss: w.Loss, Burst: w.Burst, GoodLoss: w.GoodLoss, BadLoss: w.BadLoss, LongShare: w.LongShare, LongBurst: w.LongBurst, LongLoss: w.LongLoss}
	}
	obstructed := radio.Weather{Loss: 0.05, Burst: 60 * ms, GoodLoss: 0.01, BadLoss: 1, LongShare: 0.005, LongBurst: time.Second, LongLoss: 0.8}
	require.Equal(t, obstructed, base("weather.position=obstructed"))
	require.Equal(t, obstructed, base("receivers.dial.weather.position=obstructed"))
	require.Equal(t, obstructed, base("weather.loss=20%", "receivers.dial.weather.position=obstructed"), "of the display, before what holds for all")
	require.Equal(t, obstructed, base("weather.position=quiet", "receivers.dial.weather.position=obstructed"))
	own := obstructed
	own.Loss, own.Burst = 0.1, 90*ms
	require.Equal(t, own, base("weather.position=obstructed", "weather.loss=10%", "receivers.dial.weather.burst=90ms"))
	require.Equal(t, radio.Weather{Loss: 0.1, Burst: 8 * ms, GoodLoss: 0.02, BadLoss: 0.7}, base("weather.position=busy-access-point"))
	// The orchard's sprayer has a loss of its own, below what the command line says.
	p := open(t, "orchard", "receivers.sprayer.weather.position=quiet")
	require.Equal(t, 0.01, p.Receivers[1].Weather.Loss)
	require.Equal(t, 0.03, p.Receivers[2].Weather.Loss)
	var reasons []string
	for _, a := range p.Assumptions {
		if a.Key == "receivers.sprayer.weather.loss" || a.Key == "receivers.sprayer.weather.position" {
			reasons = append(reasons, a.Origin+": "+a.Reason)
		}
	}
	require.Equal(t, []string{"default: position quiet, illustrative: judgement, not measured", "command line: "}, reasons)
}

// Bit errors that follow from a signal-to-noise ratio are those of the formula of
// the radio.
func TestSignalToNoise(t *testing.T) {
	p := open(t, "testdata/base.yaml", "radio.profile=802.15.4", "weather.good_snr=1", "weather.bad_snr=-1")
	require.InDelta(t, 1.29e-5, p.Receivers[0].Weather.GoodBitErrors, 0.5e-7, "as in the standard's annex, recomputed")
	require.InDelta(t, 1.15e-3, p.Receivers[0].Weather.BadBitErrors, 0.5e-5)
	require.NoError(t, p.Receivers[0].Weather.Check())
	// A ratio written above bit errors takes their place.
	require.InDelta(t, 1.62e-4, open(t, "testdata/rich.yaml", "radio.profile=802.15.4", "weather.good_snr=0").Receivers[0].Weather.GoodBitErrors, 0.5e-6)
}

// A channel that moves is an outage among the others; scans of other channels
// come again and again.
func TestMovesAndScans(t *testing.T) {
	w := open(t, "testdata/rich.yaml", "weather.move.at=10s", "weather.away={every: 60s, first: 5s}", "receivers.dial.weather.away.takes=90ms").Receivers[0].Weather
	require.Equal(t, []radio.Span{{From: 2 * time.Second, Until: 2500 * ms}, {From: 10 * time.Second, Until: 10800 * ms}}, w.Outages)
	require.Equal(t, [3]time.Duration{90 * ms, time.Minute, 5 * time.Second}, [3]time.Duration{w.Away, w.AwayEvery, w.AwayFrom})
	span := func(from, until int) radio.Span {
		return radio.Span{From: time.Duration(from), Until: time.Duration(until)}
	}
	others := []radio.Span{span(10, 20), span(30, 40)}
	require.Equal(t, []radio.Span{span(1, 2), span(10, 20), span(30, 40)}, withOutage(others, span(1, 2)))
	require.Equal(t, []radio.Span{span(10, 25), span(30, 40)}, withOutage(others, span(15, 25)))
	require.Equal(t, []radio.Span{span(5, 45)}, withOutage(others, span(5, 45)))
	require.Equal(t, []radio.Span{span(10, 20), span(22, 25), span(30, 40)}, withOutage(others, span(22, 25)))
	require.Equal(t, []radio.Span{span(10, 20), span(30, 40), span(50, 60)}, withOutage(others, span(50, 60)))
}

// A measured trace takes the place of loss and bursts, is read once for all
// displays that share it, and what fills its holes is told.
func TestTrace(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "losses.csv")
	require.NoError(t, os.WriteFile(file, []byte("t_s,received\n0,1\n0.02,0\n0.04,1\n0.14,1\n"), 0o644))
	p := open(t, "testdata/rich.yaml", "weather.trace="+file)
	require.NotNil(t, p.Receivers[0].Weather.Trace)
	require.Same(t, p.Receivers[0].Weather.Trace, p.Receivers[1].Weather.Trace)
	require.Equal(t, 160*ms, p.Receivers[0].Weather.Trace.Length())
	require.Zero(t, p.Receivers[0].Weather.Loss)
	require.Equal(t, 0.001, p.Receivers[0].Weather.LongShare, "the second bad state comes on top")
	require.NoError(t, p.Receivers[0].Weather.Check())
	require.Contains(t, p.Warnings, file+": holes are 50% of the trace; they are filled by the two states fitted to the rest")
	// Beside a scenario the file is looked for beside it.
	text := "extends: orchard\nweather: {trace: losses.csv}\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "mine.yaml"), []byte(text), 0o644))
	mine := open(t, filepath.Join(dir, "mine.yaml")).Receivers
	require.NotNil(t, mine[0].Weather.Trace)
	require.Nil(t, mine[1].Weather.Trace, "it has a loss of its own")
	require.Equal(t, 0.02, mine[1].Weather.Loss)
}
