package scenarios

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
)

const ms = time.Millisecond

func open(t *testing.T, name string, sets ...string) *Plan {
	t.Helper()
	plan, err := Open(name, sets)
	require.NoError(t, err)
	return plan
}

func TestOrchard(t *testing.T) {
	p := open(t, "orchard")
	require.Equal(t, "orchard", p.Name)
	require.Equal(t, Default, p.Name)
	require.Empty(t, p.Warnings)

	mix := map[time.Duration]int{}
	full := 0
	for _, m := range p.Bus.Messages {
		mix[m.Period]++
		if m.Length == 8 {
			full++
		}
		require.NotEmpty(t, m.Node, m.Name)
		require.GreaterOrEqual(t, m.Length, 2, m.Name)
		require.True(t, m.Jitter >= 200*time.Microsecond && m.Jitter <= ms, m.Name)
		require.True(t, m.Drift >= -200 && m.Drift <= 200 && m.Drift*m.Drift >= 50*50, m.Name)
	}
	require.Len(t, p.Bus.Messages, 96)
	require.Equal(t, map[time.Duration]int{10 * ms: 8, 20 * ms: 12, 50 * ms: 8, 100 * ms: 30, 200 * ms: 8, 500 * ms: 8, 1000 * ms: 18, 5000 * ms: 4}, mix)
	require.InDelta(t, 0.8, float64(full)/96, 0.05, "share of messages with 8 bytes")
	require.InEpsilon(t, 1900, p.Bus.FramesPerSecond(), 0.03)
	// Worked out by hand from the mix: 1935 frames/s of 44 + 8n + 3 bits.
	require.InDelta(t, 0.41, p.Bus.Load(), 0.01)

	require.Equal(t, []string{"pillar", "sprayer", "tail"}, []string{p.Receivers[0].Name, p.Receivers[1].Name, p.Receivers[2].Name})
	require.Len(t, p.Bridge.Forward, 13)
	for _, r := range p.Receivers {
		for _, s := range r.Shows {
			require.NotNil(t, s.Limit, s.Signal.Name)
			require.True(t, slices.ContainsFunc(p.Bridge.Forward, func(f bridge.Forward) bool { return f.ID == s.ID }), s.Signal.Name)
			require.GreaterOrEqual(t, s.Limit.Value, s.Period+p.Bridge.Policy.Hold+r.Redraw+r.Draw, s.Signal.Name)
		}
	}
	for name, signals := range map[string][]string{"pillar": {"drive_mode", "work_lamps", "beacon", "hatch_open", "fault_flags", "unit_flags"}, "sprayer": {"section_valves"}, "tail": {"work_lamps", "beacon", "section_valves"}} {
		i := slices.IndexFunc(p.Receivers, func(r Receiver) bool { return r.Name == name })
		for _, s := range p.Receivers[i].Shows {
			if slices.Contains(signals, s.Signal.Name) {
				require.GreaterOrEqual(t, s.Limit.Value, s.Period+p.Bridge.Policy.Hold+2*p.Receivers[i].Redraw, "state signal %s", s.Signal.Name)
			}
		}
	}
}

// The traffic that the plan makes is the traffic that it promises.
func TestOrchardTraffic(t *testing.T) {
	p := open(t, "orchard")
	source, err := p.Bus.Source(Streams{Seed: 1}, nil, nil)
	require.NoError(t, err)
	var f bus.Frame
	frames, until := 0, 5*time.Second
	for source.Next(&f) && f.At < until {
		frames++
	}
	// Each of the 96 messages is off by less than one frame.
	require.InDelta(t, p.Bus.FramesPerSecond()*until.Seconds(), frames, 96)
}

func TestPagedSignalPeriod(t *testing.T) {
	p := open(t, "orchard")
	for _, s := range p.Receivers[0].Shows {
		if s.Signal.Name == "motor_temperature" {
			require.Equal(t, 400*ms, s.Period)
			require.NotNil(t, p.Selector(s.ID))
			return
		}
	}
	t.Fatal("no paged signal on the pillar display")
}

func TestForwardEverything(t *testing.T) {
	a, b := open(t, "orchard"), open(t, "forward-everything")
	require.Equal(t, a.Bus, b.Bus)
	require.Equal(t, a.Receivers, b.Receivers)
	require.Equal(t, "forward-everything", b.Name)
	require.Len(t, b.Bridge.Forward, 96)
	require.Equal(t, bridge.Policy{Kind: bridge.Each}, b.Bridge.Policy)
	require.NotEqual(t, a.SHA256, b.SHA256)
	require.True(t, slices.IsSortedFunc(b.Bridge.Forward, func(x, y bridge.Forward) int { return int(x.ID) - int(y.ID) }))
}

func TestBuiltins(t *testing.T) {
	all := Builtins()
	require.Equal(t, Default, all[0].Name)
	for _, s := range all {
		text, err := Text(s.Name)
		require.NoError(t, err)
		require.True(t, bytes.HasPrefix(text, []byte("# ")), "%s begins with a comment", s.Name)
		require.Contains(t, string(text), "What it shows:", s.Name)
		require.NotEmpty(t, s.About)
		require.Equal(t, s.Name, open(t, s.Name).Name)
	}
	_, err := Text("orchrad")
	require.EqualError(t, err, `"orchrad": no built-in scenario: did you mean orchard?`)
	_, err = Text("../plan.go")
	require.Error(t, err)
}

// What the built-in scenarios promise in their first lines.
func TestBuiltinPlans(t *testing.T) {
	phases := func(p *Plan) (names []string) {
		for _, f := range p.Phases {
			names = append(names, f.Name)
		}
		return names
	}
	for name, parts := range map[string][]string{
		"orchard": nil, "forward-everything": nil, "kart-grid": nil, "river-ferry": nil,
		"late-display": nil, "full-redraw": nil, "camper-lights": nil, "mixed-layouts": nil,
		"channel-moves":     {"before", "searching", "after"},
		"bridge-reset":      {"before", "away", "after"},
		"night-watch":       {"tail", "asleep", "woken", "storm", "asleep-again"},
		"parked":            {"tail", "asleep", "woken", "asleep-again"},
		"busy-access-point": {"quiet", "busy", "quiet-again"},
		"two-tractors":      {"alone", "side-by-side", "alone-again"},
		"storm":             {"before", "storm", "after"},
		"storm-capped":      {"before", "storm", "after"},
	} {
		p := open(t, name)
		require.Empty(t, p.Warnings, name)
		require.Equal(t, parts, phases(p), name)
	}
	require.Len(t, Builtins(), 16)

	parked := open(t, "parked")
	require.Len(t, parked.Bus.Messages, 10)
	require.Less(t, parked.Bus.FramesPerSecond(), 10.0)
	require.Equal(t, 10*time.Second, parked.Phases[3].From-parked.Phases[2].From)

	storm, capped := open(t, "storm"), open(t, "storm-capped")
	require.Equal(t, storm.Bus, capped.Bus)
	require.Equal(t, bus.ID(0x428), storm.Bus.Messages[storm.Bus.Timeline[1].Storm.Message].ID)
	last := len(capped.Bridge.Forward) - 1
	require.Equal(t, 50*ms, capped.Bridge.Forward[last].MinGap)
	storm.Bridge.Forward[last].MinGap = 50 * ms
	storm.Bridge.Airtime, capped.Bridge.Airtime = nil, nil
	require.Equal(t, storm.Bridge, capped.Bridge, "one key differs")

	ap := open(t, "busy-access-point").Background
	require.Equal(t, []string{"camera", "access-point"}, []string{ap[0].Name, ap[1].Name})
	require.Equal(t, []time.Duration{60 * time.Second, 180 * time.Second}, []time.Duration{ap[1].From, ap[1].Until})
	require.Equal(t, 19, open(t, "kart-grid", "neighbours.kart.count=19").Neighbours[0].Count)
	_, err := Open("two-tractors", []string{"neighbours.second.set=17"})
	require.ErrorContains(t, err, "neighbours.second.set: one of the 1 set identifiers from 17 on is that of this vehicle: displays could not tell their broadcasts apart")
	_, err = Open("kart-grid", []string{"neighbours.kart.set=10", "bridge.layout.set=12"})
	require.ErrorContains(t, err, "neighbours.kart.set: one of the 9 set identifiers from 10 on is that of this vehicle")
	two := open(t, "two-tractors")
	require.NotEqual(t, two.Bridge.Layout.Set, two.Neighbours[0].Bridge.Layout.Set)
}

// Without changes and bases the checksum is that of the file, so that a user can
// work it out with any tool.
func TestChecksum(t *testing.T) {
	text, err := os.ReadFile("testdata/base.yaml")
	require.NoError(t, err)
	sum := sha256.Sum256(text)
	require.Equal(t, hex.EncodeToString(sum[:]), open(t, "testdata/base.yaml").SHA256)
	require.NotEqual(t, hex.EncodeToString(sum[:]), open(t, "testdata/base.yaml", "seed=2").SHA256)
	require.Equal(t, "base", open(t, "testdata/base.yaml").Name)
}

func TestSet(t *testing.T) {
	for _, c := range []struct {
		sets []string
		want func(p *Plan) any
		is   any
	}{
		{[]string{"receivers.pillar.queue=4"}, func(p *Plan) any { return p.Receivers[0].Queue }, 4},
		{[]string{"seed=7", "seed=8"}, func(p *Plan) any { return p.Seed }, uint64(8)},
		{[]string{"bridge.forward=[120, {id: 1E0-, divide: 2}]"}, nil, `found "1E0-"`},
		{[]string{"bridge.forward=[120, {id: 1A0, divide: 2, cap: 20/s}]"}, func(p *Plan) any { f := p.Bridge.Forward[1]; return []any{f.Divide, f.MinGap} }, []any{2, 50 * ms}},
		{[]string{"bridge.forward.0.divide=3"}, func(p *Plan) any { return p.Bridge.Forward[0].Divide }, 3},
		{[]string{"bridge.forward=all"}, func(p *Plan) any { return len(p.Bridge.Forward) }, 96},
		{[]string{"bridge.policy=each"}, func(p *Plan) any { return p.Bridge.Policy }, bridge.Policy{Kind: bridge.Each}},
		{[]string{"bridge.policy={kind: table, every: 20ms}"}, func(p *Plan) any { return p.Bridge.Policy }, bridge.Policy{Kind: bridge.Table, Every: 20 * ms}},
		{[]string{"bridge.controller.frames=3"}, func(p *Plan) any { return p.Bridge.Controller }, bridge.Controller{Frames: 3}},
		{[]string{"bridge.pickup.tick=10ms"}, func(p *Plan) any { return []any{p.Bridge.Pickup.Tick, p.Bridge.Pickup.Latency} }, []any{10 * ms, time.Duration(0)}},
		{[]string{"receivers.tail.redraw.on_change=20ms"}, func(p *Plan) any { r := p.Receivers[2]; return []any{r.Redraw, r.MinRedraw} }, []any{time.Duration(0), 20 * ms}},
		{[]string{"receivers.pillar.shows.ground_speed.quantile=95%"}, func(p *Plan) any { return *p.Receivers[0].Shows[0].Limit }, Limit{Quantile: 0.95, Value: 250 * ms}},
		{[]string{"receivers.pillar.shows.GroundDrive.wheel_slip.limit=1s"}, func(p *Plan) any { s := p.Receivers[0].Shows; return s[len(s)-1].Signal.Name }, "wheel_slip"},
		{[]string{"receivers.tail.weather.loss=7%"}, func(p *Plan) any { w := p.Receivers[2].Weather; return []any{w.Loss, w.Burst} }, []any{0.07, 15 * ms}},
		{[]string{"weather.burst=9ms"}, func(p *Plan) any { return p.Receivers[0].Weather.Burst }, 9 * ms},
		{[]string{"air.background.camera.share=70%"}, func(p *Plan) any { return p.Background[0].Share }, 0.7},
		{[]string{"air.background.router={share: 5%}"}, func(p *Plan) any { return p.Background[1].Name }, "router"},
		{[]string{"neighbours.other.count=2"}, nil, "unknown name"},
		{[]string{"duration=2min"}, func(p *Plan) any { return p.Duration }, 2 * time.Minute},
		{[]string{"duration=auto"}, func(p *Plan) any { return p.Duration }, time.Duration(0)},
		{[]string{"queue"}, nil, "expected KEY=VALUE"},
		{[]string{"bridge.pace=2ms"}, func(p *Plan) any { return p.Bridge.Pace.Gap }, 2 * ms},
		{[]string{"radio.profile=ideal", "radio.airtime=1ms"}, func(p *Plan) any { return p.Radio.Airtime(10) }, ms},
	} {
		p, err := Open("orchard", c.sets)
		if c.want == nil {
			require.ErrorContains(t, err, c.is.(string), c.sets)
			continue
		}
		require.NoError(t, err, c.sets)
		require.Equal(t, c.is, c.want(p), c.sets)
	}
}

func TestAssumptions(t *testing.T) {
	p := open(t, "orchard", "receivers.pillar.queue=4", "receivers.tail.handler=1ms")
	find := func(key string) Assumption {
		i := slices.IndexFunc(p.Assumptions, func(a Assumption) bool { return a.Key == key })
		require.GreaterOrEqual(t, i, 0, key)
		return p.Assumptions[i]
	}
	require.Equal(t, Assumption{"receivers.pillar.queue", "4", "command line", ""}, find("receivers.pillar.queue"))
	require.Equal(t, Assumption{"bridge.policy.hold", "50ms", "scenario", ""}, find("bridge.policy.hold"))
	require.Equal(t, Assumption{"bridge.queue", "32", "default", reported}, find("bridge.queue"))
	require.Equal(t, Assumption{"weather.loss", "1%", "scenario", ""}, find("weather.loss"))
	for _, a := range p.Assumptions {
		require.NotEmpty(t, a.Value, a.Key)
		require.Equal(t, a.Origin == "default", a.Reason != "", a.Key)
		require.NotEqual(t, "bridge.policy.every", a.Key, "has no effect with fill")
	}
}

func TestWarnings(t *testing.T) {
	p := open(t, "testdata/base.yaml", "bridge.forward=[120]", "receivers.dial.draw=100ms", "bus.messages.Drive.period=100us")
	require.Equal(t, []string{
		"dial can never show pressure: not on the forward list",
		"dial draws for 100ms but is redrawn every 100ms: redraws are dropped",
		"the message set asks for 222 % of the bus: messages pile up without end",
	}, p.Warnings)
}

// Files that a scenario names are looked for beside it, not where the program
// was started.
func TestExtendsIsRelativeToTheFile(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "deep"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "deep", "tractor.yaml"), []byte("extends: orchard\nseed: 5\n"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "deep", "mine.yaml"), []byte("extends: tractor.yaml\nreceivers: {pillar: {queue: 3}}\n"), 0o644))
	p := open(t, filepath.Join(dir, "deep", "mine.yaml"))
	require.Equal(t, "mine", p.Name)
	require.Equal(t, uint64(5), p.Seed)
	require.Equal(t, 3, p.Receivers[0].Queue)
	require.Len(t, p.Bus.Messages, 96)
}

// What show prints, with or without defaults, is the same scenario again.
func TestShowIsAScenario(t *testing.T) {
	for _, name := range append(builtinNames(), "testdata/base.yaml", "testdata/rich.yaml") {
		for _, defaults := range []bool{false, true} {
			var b bytes.Buffer
			require.NoError(t, Show(&b, name, defaults))
			again, err := Load(name, b.Bytes(), nil)
			require.NoError(t, err)
			require.Equal(t, bare(open(t, name)), bare(again))
			require.Contains(t, b.String(), "# byte 7 6 5 4 3 2 1 0")
			require.Equal(t, defaults, strings.Contains(b.String(), "engineering judgement"))
		}
	}
	require.ErrorContains(t, Show(&bytes.Buffer{}, "orchrad", false), "did you mean orchard?")
}

func TestShowDefaultsText(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Show(&b, "testdata/base.yaml", true))
	want := "testdata/show.txt"
	if *update {
		require.NoError(t, os.WriteFile(want, b.Bytes(), 0o644))
	}
	text, err := os.ReadFile(want)
	require.NoError(t, err)
	require.Equal(t, string(text), b.String())
}

func TestCopy(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "mine.yaml")
	text, err := Text("orchard")
	require.NoError(t, err)

	require.NoError(t, Copy("orchard", path, false))
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, text, got)

	require.NoError(t, os.WriteFile(path, []byte("my work"), 0o644))
	require.EqualError(t, Copy("orchard", path, false), path+": exists already and is kept")
	got, err = os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "my work", string(got))

	require.NoError(t, Copy("forward-everything", path, true))
	require.Equal(t, "forward-everything", open(t, path).Name)
	require.ErrorContains(t, Copy("orchard", dir, true), "a directory")
	require.ErrorContains(t, Copy("orchard", filepath.Join(dir, "no", "way.yaml"), false), "no such file")
	require.ErrorContains(t, Copy("orchad", path, true), "did you mean orchard?")
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1, "no temporary file is left")
}
