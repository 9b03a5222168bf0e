package sim

import (
	"testing"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// farmWork is like a day's work of a tractor: 96 identifiers, 12 of them listed
// and shown on three displays with 30 signals, `fill`, a shared medium.
func farmWork(duration time.Duration) *scenarios.Plan {
	profile, err := radio.NewProfile(radio.Settings{Name: "action-frame", Rate: 1_000_000})
	if err != nil {
		panic(err)
	}
	plan := crowded(profile)
	plan.Duration = duration
	plan.Background = []radio.Background{{Name: "others", Share: 0.15, Frame: 1500 * time.Microsecond, BurstFrames: 1}}
	plan.Bridge.Policy = bridge.Policy{Kind: bridge.Fill, Hold: 50 * ms}
	plan.Bridge.Controller = bridge.Controller{Frames: 5}
	plan.Bridge.Pickup = bridge.Pickup{Latency: 10 * time.Microsecond, Cost: 10 * time.Microsecond}
	plan.Bridge.QueueDepth = 32
	listed := plan.Bridge.Forward
	plan.Bridge.Forward = nil
	w := plan.Receivers[0]
	show := w.Shows[0]
	w.Weather = radio.Weather{Loss: 0.01, Burst: 5 * ms}
	w.Queue, w.Handler, w.Redraw, w.Draw, w.Shows = 8, 300*time.Microsecond, 100*ms, 31*ms, nil
	for i := range 12 {
		k := 5 + 8*i // about 110 frames a second
		plan.Bridge.Forward = append(plan.Bridge.Forward, listed[k])
		show.ID, show.Period = listed[k].ID, plan.Bus.Messages[k].Period
		show.Limit = &scenarios.Limit{Quantile: 0.99, Value: 300 * ms}
		w.Shows = append(w.Shows, show)
		if i < 10 {
			w.Shows = append(w.Shows, show)
		}
	}
	plan.Receivers = nil
	for _, name := range []string{"pillar", "sprayer", "tail"} {
		w.Name = name
		plan.Receivers = append(plan.Receivers, w)
	}
	return plan
}

// BenchmarkRun is the whole chain: ns and allocations per bus frame.
func BenchmarkRun(b *testing.B) {
	b.ReportAllocs()
	plan := farmWork(time.Minute)
	var frames uint64
	for b.Loop() {
		r, err := Run(plan, 0)
		if err != nil {
			b.Fatal(err)
		}
		frames += r.Frames
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
}
