package study

import (
	"context"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// happens runs a built-in scenario, a few replications of it.
func happens(t *testing.T, name string, replications int, sets ...string) *Result {
	t.Helper()
	plan, err := scenarios.Open(name, sets)
	require.NoError(t, err)
	r, err := Run(context.Background(), plan, Options{Replications: replications})
	require.NoError(t, err)
	return r
}

// shown finds a signal on a display.
func shown(t *testing.T, r *Result, display, signal string) *Signal {
	t.Helper()
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			if s := &r.Receivers[i].Signals[k]; r.Receivers[i].Name == display && s.Shown.Signal.Name == signal {
				return s
			}
		}
	}
	t.Fatalf("no signal %s on display %s", signal, display)
	return nil
}

// inPart finds a signal in a part of the run, by the place of its display.
func inPart(t *testing.T, r *Result, part string, display, signal int) *PhaseSignal {
	t.Helper()
	for i := range r.Phases {
		if r.Phases[i].Name == part {
			return &r.Phases[i].Receivers[display].Signals[signal]
		}
	}
	t.Fatalf("no part %s", part)
	return nil
}

// lost is the share of the records of a display that had a fate, of those sent
// while it was on.
func lost(d *Receiver, f fate.Record) float64 {
	_, expected := Delivered(&d.RecordFates)
	return float64(d.RecordFates[f]) / float64(expected)
}

// collided is the share of the records to the first display that collided in a part.
func collided(t *testing.T, r *Result, part string) float64 {
	t.Helper()
	for i := range r.Phases {
		if r.Phases[i].Name == part {
			fates := &r.Phases[i].Receivers[0].RecordFates
			_, expected := Delivered(fates)
			return float64(fates[fate.RecordCollided]) / float64(expected)
		}
	}
	t.Fatalf("no part %s", part)
	return 0
}

// What stands at the top of each scenario file happens.

func TestChannelMoves(t *testing.T) {
	r := happens(t, "channel-moves", 4)
	speed := shown(t, r, "pillar", "ground_speed")
	require.InDelta(t, 2/120.0, speed.OverLimit.Value, 0.003)
	require.Greater(t, speed.LongestOver, 1.7)
	require.Less(t, inPart(t, r, "before", 0, 0).Age.P99.Value, 0.25)
	require.Less(t, inPart(t, r, "after", 0, 0).Age.P99.Value, 0.25)
	require.Greater(t, inPart(t, r, "searching", 0, 0).Age.Max.Value, 2.)
}

func TestLateDisplay(t *testing.T) {
	r := happens(t, "late-display", 30, "duration=10s")
	units := shown(t, r, "pillar", "unit_flags")
	require.Equal(t, Met, units.Verdict)
	require.Zero(t, units.NeverShown)
	require.InDelta(t, 1, units.First.Max.Value, 0.3, "the slowest message comes once a second")
	change := happens(t, "late-display", 6, "duration=10s", "bridge.policy={kind: change, heartbeat: 7s}")
	require.Greater(t, shown(t, change, "pillar", "unit_flags").First.Mean.Value, 3.)
}

func TestFullRedraw(t *testing.T) {
	r := happens(t, "full-redraw", 2, "duration=60s")
	require.InDelta(t, 0.4, lost(&r.Receivers[0], fate.RecordQueueFull), 0.05)
	speed := shown(t, r, "pillar", "ground_speed")
	require.InDelta(t, 0.75, speed.Waterfall[fate.StageReceiveQueue], 0.1)
	require.Equal(t, Missed, speed.Verdict)
	require.Zero(t, r.Receivers[1].RecordFates[fate.RecordQueueFull])
	require.Equal(t, Met, shown(t, happens(t, "full-redraw", 3, "receivers.pillar.redraw=100ms", "receivers.pillar.draw=8ms"), "pillar", "ground_speed").Verdict)
}

func TestCamperLights(t *testing.T) {
	r := happens(t, "camper-lights", 4)
	horn := shown(t, r, "rear", "horn")
	// A pulse of 150 ms, sampled every 250 ms at a random phase.
	require.InDelta(t, 0.6, horn.Values.RisesSeen.Value, 0.08)
	require.Equal(t, Missed, horn.Verdict)
	require.Less(t, horn.Age.P99.Value, 0.35)
	blinker := shown(t, r, "rear", "blinker")
	require.Less(t, blinker.Values.Never.Value, 0.01)
	require.Equal(t, Met, shown(t, r, "rear", "door_open").Verdict)
	latched := shown(t, happens(t, "camper-lights", 4, "bridge.policy.latch=true"), "rear", "horn")
	require.Greater(t, latched.Values.RisesSeen.Value, 0.85)
	change := shown(t, happens(t, "camper-lights", 4, "bridge.policy=change"), "rear", "horn")
	require.Greater(t, change.Values.RisesSeen.Value, 0.95)
}

func TestNightWatch(t *testing.T) {
	r := happens(t, "night-watch", 4)
	air := map[string]float64{}
	for _, p := range r.Phases {
		air[p.Name] = p.OwnShare.Value
	}
	require.Greater(t, air["storm"], 40*air["tail"])
	require.Less(t, air["asleep"], air["tail"]/50)
	require.Greater(t, inPart(t, r, "asleep", 0, 0).Age.Max.Value, 55.)
	capped := happens(t, "night-watch", 2, "bridge.forward=[210, 310, {id: 330, cap: 2/s}, 350]")
	for _, p := range capped.Phases {
		if p.Name == "storm" {
			require.Less(t, p.OwnShare.Value, 3*air["tail"])
		}
	}
}

func TestBridgeReset(t *testing.T) {
	r := happens(t, "bridge-reset", 4)
	for _, d := range r.Receivers {
		require.EqualValues(t, 4, d.Restarts, "noticed once in each replication")
		require.Zero(t, d.RecordFates[fate.RecordDuplicate])
	}
	require.NotZero(t, r.FrameFates[fate.FrameBridgeDown])
	require.Greater(t, inPart(t, r, "away", 0, 0).Age.Max.Value, 1.9)
	require.Less(t, inPart(t, r, "after", 0, 0).Age.P99.Value, 0.3)

	// Repeats hide a restart.
	repeated := happens(t, "bridge-reset", 2, "bridge.repeat.copies=2")
	require.Zero(t, repeated.Receivers[0].Restarts)
	require.Greater(t, inPart(t, repeated, "after", 0, 0).Age.Max.Value, 30.)
}

func TestMixedLayouts(t *testing.T) {
	r := happens(t, "mixed-layouts", 2, "duration=30s")
	tail := &r.Receivers[2]
	require.Zero(t, tail.RecordFates[fate.RecordTaken])
	require.Greater(t, lost(tail, fate.RecordWrongLayout), 0.9)
	for _, s := range tail.Signals {
		require.Zero(t, s.Observed, "nothing is better than something wrong")
		require.Equal(t, Missed, s.Verdict)
	}
	require.Greater(t, lost(&r.Receivers[0], fate.RecordTaken), 0.97)
}

func TestParkedFerry(t *testing.T) {
	r := happens(t, "parked", 4)
	for i, s := range r.Receivers[0].Signals {
		tail, woken := inPart(t, r, "tail", 0, i), inPart(t, r, "woken", 0, i)
		if s.Shown.Limit.Of == scenarios.OfAge {
			require.Equal(t, Missed, s.Verdict, s.Shown.Signal.Name)
			require.Contains(t, s.Why, "no bridge can meet this")
			require.Zero(t, tail.OverLimit.Value)
		}
		require.Greater(t, woken.Age.Max.Value, 60.)
		require.Less(t, tail.Age.P99.Value, s.Shown.Limit.Value.Seconds())
	}
	require.Equal(t, Undecided, shown(t, r, "wheelhouse", "pump_running").Verdict)
}

func TestForwardEverything(t *testing.T) {
	r := happens(t, "forward-everything", 2, "duration=20s")
	var frames uint64
	for _, n := range r.FrameFates {
		frames += n
	}
	// The bus asks for 2.3 times what the air can carry.
	require.InDelta(t, 1-1/2.3, float64(r.FrameFates[fate.FrameSendQueueFull])/float64(frames), 0.03)
	require.InDelta(t, 0.85, r.OwnOccupancy.Value, 0.02, "the rest is the camera's")
	for _, d := range r.Receivers {
		for _, s := range d.Signals {
			require.NotEqual(t, Met, s.Verdict, s.Shown.Signal.Name)
		}
	}
}

func TestBusyAccessPoint(t *testing.T) {
	r := happens(t, "busy-access-point", 4)
	quiet, busy := inPart(t, r, "quiet", 0, 0), inPart(t, r, "busy", 0, 0)
	require.InDelta(t, 0.19, quiet.Age.P99.Value, 0.008)
	require.InDelta(t, 0.22, busy.Age.P99.Value, 0.01)
	require.Greater(t, busy.OverLimit.Value, 5*quiet.OverLimit.Value)
	require.InDelta(t, 1/300., collided(t, r, "quiet"), 0.001)
	require.InDelta(t, 1/15., collided(t, r, "busy"), 0.005)
	for _, d := range r.Receivers {
		for _, s := range d.Signals {
			require.NotEqual(t, Missed, s.Verdict, s.Shown.Signal.Name)
		}
	}
	hidden := happens(t, "busy-access-point", 2, "air.background.access-point.hidden=true")
	require.Equal(t, Missed, shown(t, hidden, "pillar", "ground_speed").Verdict)
}

func TestTwoTractors(t *testing.T) {
	r := happens(t, "two-tractors", 4)
	require.NotZero(t, r.Receivers[0].Foreign[fate.ForeignIgnored])
	require.Len(t, r.Neighbours, 1)
	require.Greater(t, r.Neighbours[0].DeliveredShare.Value, 0.9)
	alone, both := inPart(t, r, "alone", 0, 0).Age, inPart(t, r, "side-by-side", 0, 0).Age
	require.InDelta(t, alone.Mean.Value, both.Mean.Value, 0.004, "two bridges do not hurt each other")
	require.InDelta(t, alone.P99.Value, both.P99.Value, 0.008)
	require.InDelta(t, 1/200., collided(t, r, "side-by-side"), 0.002)
}

// Repeats inside a burst of losses help little, beyond it much.
func TestRepeatsCloserThanTheBurst(t *testing.T) {
	p99 := func(sets ...string) float64 {
		sets = append(sets, "weather={loss: 8%, burst: 60ms}", "receivers.pillar.redraw.every=20ms", "receivers.pillar.draw=1ms", "duration=60s", "bridge.policy.hold=300ms")
		return shown(t, happens(t, "orchard", 4, sets...), "pillar", "ground_speed").Age.P99.Value
	}
	once := p99()
	close, far := p99("bridge.repeat.copies=2", "bridge.repeat.spacing=2ms"), p99("bridge.repeat.copies=2", "bridge.repeat.spacing=40ms")
	require.InEpsilon(t, once, close, 0.08)
	require.Less(t, far, close-0.02)
}

// What the top of each scenario file proposes to try can be tried.
func TestProposalsOfScenariosRun(t *testing.T) {
	proposal := regexp.MustCompile(`(?m)^#   ([a-z][^ =]*=(?:\{[^}]*\}|\[.*\]|\S+))`)
	tried := 0
	for _, info := range scenarios.Builtins() {
		text, err := scenarios.Text(info.Name)
		require.NoError(t, err)
		for _, found := range proposal.FindAllStringSubmatch(string(text), -1) {
			if strings.HasPrefix(found[1], "bus.capture=") {
				continue // a recording of the reader's own
			}
			tried++
			t.Run(info.Name+" "+found[1], func(t *testing.T) {
				plan, err := scenarios.Open(info.Name, []string{found[1]})
				require.NoError(t, err)
				_, err = sim.Run(plan, 0)
				require.NoError(t, err)
			})
		}
	}
	require.Greater(t, tried, 15)
}
