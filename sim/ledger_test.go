package sim

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// requireClosedLedgers holds what must be exact in every run: each frame and each
// record has one fate, and the terms of each waterfall are not negative and sum
// to the age at the glass, as integers.
func requireClosedLedgers(t *testing.T, r *Replication) {
	t.Helper()
	var frames uint64
	for _, n := range r.FrameFates {
		frames += n
	}
	require.Equal(t, r.Frames, frames, "frames")
	for i, w := range r.Receivers {
		var records uint64
		for _, n := range w.RecordFates {
			records += n
		}
		require.Equal(t, r.Records, records, "records of receiver %d", i)
		for k, s := range w.Signals {
			var sum age.Int128
			for stage, term := range s.Waterfall {
				require.GreaterOrEqual(t, term.Sign(), 0, "receiver %d signal %d stage %d", i, k, stage)
				sum = sum.Add(term)
			}
			require.Equal(t, s.Glass.TwiceArea(), sum, "waterfall of receiver %d signal %d", i, k)
			require.Equal(t, s.Glass.Observed(), s.Memory.Observed())
			require.Equal(t, s.Glass.Observed(), s.Floor.Observed())
			require.LessOrEqual(t, s.Floor.TwiceArea().Cmp(s.Memory.TwiceArea()), 0)
			require.LessOrEqual(t, s.Memory.TwiceArea().Cmp(s.Glass.TwiceArea()), 0)
			require.LessOrEqual(t, s.Glass.Observed(), w.Window)
			requireSoundValues(t, &s)
		}
		requirePhasesAddUp(t, r, i)
	}
}

// requireSoundValues holds what any signal's changes, deadlines and expiry keep to.
func requireSoundValues(t *testing.T, s *SignalRun) {
	t.Helper()
	d := &s.Deadlines
	require.LessOrEqual(t, d.Missed, d.Count)
	require.LessOrEqual(t, d.Kept, d.Windows)
	require.LessOrEqual(t, d.Windows, d.Count)
	if e := s.Expiry; e != nil {
		require.Equal(t, s.Glass.Observed(), e.Glass.Observed())
		require.GreaterOrEqual(t, e.Glass.OverLimit(), e.Floor.OverLimit())
	}
	v := s.Values
	if v == nil {
		return
	}
	c := &v.Changes
	require.LessOrEqual(t, c.InTime+c.Never, c.Count)
	require.LessOrEqual(t, c.Rises, c.Count)
	require.LessOrEqual(t, c.RisesSeen, c.Rises)
	require.Equal(t, c.Count-c.Never, v.Delays.Count())
	require.LessOrEqual(t, v.Wrong.Time, v.Wrong.Observed)
	require.LessOrEqual(t, v.Wrong.Observed, s.Glass.Observed())
	require.LessOrEqual(t, v.Wrong.Longest, v.Wrong.Time)
}

// requirePhasesAddUp holds that what a display measured in the phases is what it
// measured in all.
func requirePhasesAddUp(t *testing.T, r *Replication, receiver int) {
	t.Helper()
	if r.Phases == nil {
		return
	}
	whole := &r.Receivers[receiver]
	var fates [fate.Records]uint64
	observed := make([]time.Duration, len(whole.Signals))
	twice := make([]age.Int128, len(whole.Signals))
	for _, p := range r.Phases {
		for k, n := range p.Receivers[receiver].RecordFates {
			fates[k] += n
		}
		for k, track := range p.Receivers[receiver].Glass {
			observed[k] += track.Observed()
			twice[k] = twice[k].Add(track.TwiceArea())
		}
	}
	require.Equal(t, whole.RecordFates, fates)
	for k, s := range whole.Signals {
		require.Equal(t, s.Glass.Observed(), observed[k])
		require.Equal(t, s.Glass.TwiceArea(), twice[k])
	}
}

// randomPlan draws a plan over everything that a plan can hold.
func randomPlan(rng *rand.Rand) *scenarios.Plan {
	span := func(most time.Duration) time.Duration { return time.Duration(rng.Int64N(int64(most))) }
	settings := []radio.Settings{{Name: "ideal", Airtime: span(5 * ms)}, {Name: "action-frame", Rate: 1_000_000}, {Name: "action-frame", Rate: 6_000_000},
		{Name: "802.15.4"}, {Name: "ble-legacy", Interval: 20 * ms}, {Name: "ble-extended", Interval: 30 * ms, Rate: 2_000_000},
		{Name: "gfsk-packet", Duty: 0.1}, {Name: "lora", SubBand: "none"}, {Name: "lora", Bandwidth: 500_000, Duty: 0.2, DutyRule: "drop"}}
	chosen := rng.IntN(len(settings))
	profile, err := radio.NewProfile(settings[chosen])
	if err != nil {
		panic(err)
	}
	plan := &scenarios.Plan{Seed: rng.Uint64(), Duration: 2 * time.Second, Radio: profile}
	if chosen > 0 && rng.IntN(2) == 0 {
		plan.Background = []radio.Background{{Name: "others", Share: 0.6 * rng.Float64(), Frame: ms + span(2*ms), BurstFrames: 1, Hidden: rng.IntN(4) == 0}}
	}
	if rng.IntN(3) == 0 {
		plan.Phases = []scenarios.Phase{{Name: "first"}, {Name: "second", From: time.Second + span(2*time.Second)}}
	}
	plan.Vehicle = randomVehicle(rng, profile)
	if rng.IntN(3) == 0 {
		n := scenarios.Neighbour{Name: "other", Count: 1 + rng.IntN(3), From: span(time.Second), Vehicle: randomVehicle(rng, profile)}
		if rng.IntN(2) == 0 {
			n.Until = n.From + span(2*time.Second)
		}
		plan.Neighbours = append(plan.Neighbours, n)
	}
	return plan
}

func randomVehicle(rng *rand.Rand, profile radio.Profile) scenarios.Vehicle {
	span := func(most time.Duration) time.Duration { return time.Duration(rng.Int64N(int64(most))) }
	v := scenarios.Vehicle{Selectors: map[bus.ID]*signal.Selector{}}
	v.Bus = scenarios.Bus{BitRate: 250_000}
	v.Bridge = bridge.Config{
		Controller:  bridge.Controller{Frames: rng.IntN(4), Overrun: bridge.Overrun(rng.IntN(3))},
		Pickup:      bridge.Pickup{Latency: span(ms), Cost: span(2 * ms), Tick: []time.Duration{0, 0, 10 * ms}[rng.IntN(3)]},
		QueueDepth:  1 + rng.IntN(8),
		Policy:      randomPolicy(rng),
		Repeat:      bridge.Repeat{Copies: 1 + rng.IntN(3), Spacing: ms + span(30*ms)},
		Layout:      bridge.Layout{Version: 1, SendTime: rng.IntN(2) == 0, RecordAges: rng.IntN(2) == 0, Set: uint16(rng.IntN(1000))},
		SendQueue:   bridge.SendQueue{Depth: 1 + rng.IntN(6), Full: bridge.FullRule(rng.IntN(3))},
		SendTimeout: []time.Duration{0, 3 * ms, 100 * ms}[rng.IntN(3)],
		MaxPayload:  min(profile.MaxPayload(), 40+rng.IntN(200)), Airtime: profile.Airtime,
	}
	if rng.IntN(3) == 0 {
		v.Bridge.Limit = bridge.RateLimit{Broadcasts: float64(5 + rng.IntN(100)), AirShare: 0.02 + 0.2*rng.Float64(), Drop: rng.IntN(2) == 0}
	}
	if rng.IntN(4) == 0 {
		v.Bridge.Pace.Gap = span(20*ms) + 1
	}
	var shown []scenarios.Shown
	for i := range 1 + rng.IntN(8) {
		m := traffic.Message{
			Name: fmt.Sprint("M", i), ID: bus.ID(0x100 + i), Length: 2 + rng.IntN(7),
			Period: []time.Duration{10 * ms, 20 * ms, 50 * ms, 300 * ms}[rng.IntN(4)], Jitter: span(ms), Drift: 100,
			Overwrite: rng.IntN(2) == 0,
		}
		pages := 1
		if rng.IntN(3) == 0 {
			m.Selector = &signal.Selector{Bits: 4}
			m.Pages = []int{0, 1, 2}
			v.Selectors[m.ID] = m.Selector
			pages = 3
		}
		v.Bus.Messages = append(v.Bus.Messages, m)
		if rng.IntN(4) > 0 {
			v.Bridge.Forward = append(v.Bridge.Forward, bridge.Forward{ID: m.ID, Selector: m.Selector, Length: m.Length, Divide: rng.IntN(3), MinGap: span(30 * ms), Need: bridge.Need{Period: m.Period}})
		}
		for page := range pages {
			s := scenarios.Shown{ID: m.ID, Period: m.Period * time.Duration(pages), Signal: signal.Definition{Name: fmt.Sprint("s", i, page), Start: 8, Bits: 8, Scale: 1, Page: signal.AnyPage}}
			if m.Selector != nil && rng.IntN(3) > 0 {
				s.Signal.Page = page
			}
			shown = append(shown, judgedBy(rng, s))
		}
	}
	if len(v.Bridge.Forward) == 0 {
		v.Bridge.Forward = []bridge.Forward{{ID: 0x7F0, Length: 8, Need: bridge.Need{Period: time.Second}}}
	}
	mix(rng, &v.Bridge)
	for at := time.Duration(0); rng.IntN(3) == 0; {
		at += span(2*time.Second) + 1
		v.Resets = append(v.Resets, bridge.Span{From: at, Until: at + span(time.Second) + 1})
		at = v.Resets[len(v.Resets)-1].Until
	}
	for i := range 1 + rng.IntN(3) {
		w := scenarios.Receiver{
			Name: fmt.Sprint("display", i), PowerUp: span(time.Second), Weather: radio.Weather{Loss: 0.3 * rng.Float64(), Burst: ms + span(100*ms)},
			Buffers: 1 + rng.IntN(10), Copy: span(2 * ms), Queue: 1 + rng.IntN(5), QueueFull: scenarios.QueueRule(rng.IntN(2)),
			Handler: span(3 * ms), Foreign: rng.IntN(8) == 0, Draw: span(40 * ms), Shows: shown,
		}
		if radio.InfoOf(profile).Advertises && rng.IntN(2) == 0 {
			w.Scanner = radio.Scanner{Interval: 10 * ms, Window: 5 * ms}
		}
		if rng.IntN(2) == 0 {
			w.Redraw = 20*ms + span(200*ms)
		} else {
			w.MinRedraw = span(100 * ms)
		}
		v.Receivers = append(v.Receivers, w)
	}
	return v
}

// judgedBy gives a signal a class, a limit, deadlines and an expiry.
func judgedBy(rng *rand.Rand, s scenarios.Shown) scenarios.Shown {
	if rng.IntN(2) == 0 {
		s.Limit = &scenarios.Limit{Of: scenarios.Measure(rng.IntN(3)), At: scenarios.Place(rng.IntN(2)), Quantile: 0.99, Value: time.Duration(rng.Int64N(int64(500*ms))) + 1}
	}
	s.Class = scenarios.Class(rng.IntN(5))
	if rng.IntN(2) == 0 {
		s.Firm, s.Expire = scenarios.Firm{Met: rng.IntN(5), Of: 1 + rng.IntN(10)}, time.Duration(rng.Int64N(int64(time.Second)))+1
	}
	return s
}

func randomPolicy(rng *rand.Rand) bridge.Policy {
	span := func(most time.Duration) time.Duration { return time.Duration(rng.Int64N(int64(most))) }
	p := bridge.Policy{
		Kind: bridge.PolicyKind(rng.IntN(5)), Hold: span(80 * ms), MaxRecords: rng.IntN(5), Every: 5*ms + span(200*ms),
		OnlyNew: rng.IntN(2) == 0, ByLimits: rng.IntN(2) == 0, Rotate: rng.IntN(2) == 0, Latch: rng.IntN(2) == 0,
		MinGap: span(30 * ms), Slack: bridge.DefaultSlack(0.01 + 0.2*rng.Float64()),
	}
	if rng.IntN(3) > 0 {
		p.Heartbeat = p.MinGap + span(300*ms)
	}
	return p
}

// mix gives some entries of the forward list a policy, a class and a group of
// their own.
func mix(rng *rand.Rand, c *bridge.Config) {
	for range rng.IntN(3) {
		c.Policies = append(c.Policies, randomPolicy(rng))
	}
	if rng.IntN(3) == 0 {
		c.DropOlder = 5*ms + time.Duration(rng.Int64N(int64(100*ms)))
	}
	for i := range c.Forward {
		f := &c.Forward[i]
		f.Policy, f.Class, f.Every = rng.IntN(1+len(c.Policies)), rng.IntN(3)*rng.IntN(2), rng.IntN(4)
	}
}

// Whatever a plan holds, the ledgers close and the waterfall adds up, on every
// radio profile.
func TestLedgersCloseOnRandomPlans(t *testing.T) {
	for seed := range uint64(400) {
		plan := randomPlan(rand.New(rand.NewPCG(seed, 1)))
		r, err := Run(plan, 0)
		require.NoError(t, err, "seed %d", seed)
		if !t.Run(fmt.Sprint(seed), func(t *testing.T) { requireClosedLedgers(t, r) }) {
			break
		}
	}
}

// torn is a source with gaps at random places.
type torn struct {
	bus.Source
	rng *rand.Rand
}

func (s *torn) Next(f *bus.Frame) bool {
	more := s.Source.Next(f)
	f.AfterGap = s.rng.IntN(150) == 0
	return more
}

// Gaps of the traffic, at which everything held is forgotten, change nothing of that.
func TestLedgersCloseOverGaps(t *testing.T) {
	for seed := range uint64(200) {
		plan := randomPlan(rand.New(rand.NewPCG(seed, 2)))
		plan.Neighbours = nil
		d, err := newDriver(plan, 0)
		require.NoError(t, err)
		d.vehicles[0].source = &torn{d.vehicles[0].source, rand.New(rand.NewPCG(seed, 3))}
		d.run()
		r := d.result(0)
		if !t.Run(fmt.Sprint(seed), func(t *testing.T) { requireClosedLedgers(t, r) }) {
			break
		}
	}
}
