package size

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

// Sums of uniform variables have the distribution that Irwin and Hall gave (1927),
// here the quantiles of two widths in closed form and a Monte-Carlo of three with
// an exponential on top.
func TestSumsOfUniformVariables(t *testing.T) {
	require.InDelta(t, 1./6, uniforms([]float64{1, 1, 1}, 1), 1e-12)
	require.InDelta(t, .5, uniforms([]float64{1, 1, 1}, 1.5), 1e-12)
	require.InDelta(t, 23./24, uniforms([]float64{1, 1, 1, 1}, 3), 1e-12)
	require.Equal(t, 1., uniforms(nil, 0))
	// A sample every B of a source every T: q = B + T - sqrt(2(1-level) B T).
	for _, c := range [][2]float64{{100, 52.326}, {20, 20.199}, {70.711, 10}} {
		want := c[0] + c[1] - math.Sqrt(2*.01*c[0]*c[1])
		require.InDelta(t, want, quantile(func(x float64) float64 { return uniforms(c[:], x) }, .99), 1e-6)
	}
	dice := rand.New(rand.NewPCG(1, 2))
	n := counts(100_000, 3_000_000)
	for _, x := range []float64{60, 150, 300} {
		under := 0
		for range n {
			v := 100*dice.Float64() + 50*dice.Float64() + 20*dice.Float64()
			if dice.Float64() < .2 {
				v += 80 * dice.ExpFloat64()
			}
			if v <= x {
				under++
			}
		}
		p := delayed([]float64{100, 50, 20}, .2, 80, x)
		require.InDelta(t, p, float64(under)/float64(n), 4*math.Sqrt(p*(1-p)/float64(n)))
	}
}

// The floor of a loss is near the rule of thumb, mean delay and half a period and
// burst x ln(share/(1-level)), and simulation finds it: one identifier on a display
// that redraws every 100 ms, a fifth of the time lost in bursts of 100 ms.
func TestFloorsAreReachedAndNeverUndercut(t *testing.T) {
	sets := []string{
		"weather={loss: 20%, burst: 100ms}", "receivers.pillar.weather={loss: 20%, burst: 100ms}", "receivers.sprayer.weather.loss=20%", "receivers.sprayer.weather.burst=100ms",
		"air.background.camera.share=0%", "duration=60s", "radio.rate=24Mbit/s",
	}
	p := open(t, "orchard", sets...)
	b := p.boundsOf(p.radios[0])
	least, most := math.Inf(1), 0.0
	for _, d := range []Design{
		{Policy: bridge.Policy{Kind: bridge.Each}, Layout: bridge.LayoutPacked, Copies: 8, Spacing: 2 * ms, Depth: 64},
		{Policy: bridge.Policy{Kind: bridge.Table, Every: 5 * ms}, Layout: bridge.LayoutPacked, Copies: 1, Depth: 8},
		{Policy: bridge.Policy{Kind: bridge.Slack, Slack: bridge.SlackRule{Share: .3}}, Layout: bridge.LayoutSlot, Copies: 1, Depth: 8},
	} {
		trial := study.NewTrial(p.apply(&d))
		for i := range counts(4, 60) {
			run, err := sim.Run(trial.Plan(), i)
			require.NoError(t, err)
			trial.Add(run)
		}
		ratios := map[string]study.Value{}
		for _, h := range trial.Held(.001) {
			ratios[h.Receiver+h.Shown.Signal.Name] = h.Ratio
		}
		for i := range b.asked {
			a := &b.asked[i]
			r := ratios[a.receiver+a.shown.Signal.Name]
			if !a.aged || a.limit > 1 {
				continue
			}
			require.GreaterOrEqual(t, r.High*a.limit, b.floors[i].bus)
			require.GreaterOrEqual(t, r.High*a.limit, b.floors[i].loss, "%s %s", a.receiver, a.shown.Signal.Name)
			if a.receiver == "pillar" {
				least, most = min(least, r.Low*a.limit/b.floors[i].loss), max(most, b.floors[i].loss)
			}
		}
	}
	require.Less(t, least, 1.05, "a design comes near the floor")
	// 0.1 s redraw and 31 ms of drawing, 20 ms between values.
	require.InDelta(t, .081+.02/2+.1*math.Log(.2/.01), 0.39, .005)
	require.InDelta(t, .39, b.floors[0].loss, .03)
}

// What a design asks of the radio at least is never more than what it takes.
func TestDemandIsALowerBound(t *testing.T) {
	p := open(t, "orchard", "duration=10s", "air.background.camera.share=0%")
	b := p.boundsOf(p.radios[0])
	designs := p.designs()
	for i := 0; i < len(designs); i += counts(60, 7) {
		d := &designs[i]
		plan := p.apply(d)
		sizes, fits := recordSizes(&plan.Bridge)
		require.True(t, fits)
		m := b.media[d.Layout]
		_, share := b.demand(d, &plan.Bridge, &m, sizes)
		run, err := sim.Run(plan, 0)
		require.NoError(t, err)
		trial := study.NewTrial(plan)
		trial.Add(run)
		own, _ := trial.Air()
		if d.Policy.Kind == bridge.Slack || share > .9 {
			continue // it aims at a share; nothing takes more than all
		}
		require.LessOrEqual(t, share, own*1.03, p.Name(d))
	}
}

// A design that a bound removes breaks a limit: the removed ones whose bounds are
// closest, as simulated.
func TestBoundsRemoveOnlyWhatBreaks(t *testing.T) {
	p := open(t, "orchard", "duration=30s")
	b := p.boundsOf(p.radios[0])
	checked := 0
	for _, every := range []time.Duration{120 * ms, 125 * ms, 130 * ms, 140 * ms, 150 * ms} {
		for _, d := range []Design{
			{Policy: bridge.Policy{Kind: bridge.Table, Every: every}, Layout: bridge.LayoutPacked, Copies: 1, Depth: 8},
			{Policy: bridge.Policy{Kind: bridge.Fill, Hold: every}, Layout: bridge.LayoutPacked, Copies: 1, Depth: 8},
		} {
			plan := p.apply(&d)
			if b.bound(&d, &plan.Bridge) != LongestWait {
				continue
			}
			checked++
			trial := study.NewTrial(plan)
			for i := range counts(6, 60) {
				run, err := sim.Run(plan, i)
				require.NoError(t, err)
				trial.Add(run)
			}
			require.Greater(t, study.Worst(trial.Held(.05)), 1., p.Name(&d))
		}
	}
	require.Positive(t, checked)
}
