package reports

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// What the report tells the user to turn is a key that a scenario has, on every
// built-in scenario, for every signal and stage, under every policy.
func TestParametersAreKeysOfScenarios(t *testing.T) {
	for _, info := range scenarios.Builtins() {
		plan, err := scenarios.Open(info.Name, nil)
		require.NoError(t, err)
		for _, kind := range []bridge.PolicyKind{bridge.Each, bridge.Fill, bridge.Table} {
			plan.Bridge.Policy.Kind = kind
			for i := range plan.Receivers {
				r := &plan.Receivers[i]
				for _, shown := range r.Shows {
					for stage := range fate.Stages {
						l := leverOf(plan, r, shown, stage)
						require.True(t, isKey(l.key), "%s: %s of %s: no key %s", info.Name, stage, shown.Signal.Name, l.key)
						require.NotEmpty(t, l.value, l.key)
					}
				}
			}
		}
	}
}

// What waits in the bridge waits for the radio where that opens by itself or has
// to be silent; what a scanner misses is named as such.
func TestRadiosNameTheirOwnParameters(t *testing.T) {
	for sets, want := range map[string][2]string{
		"":                          {"bridge.send_queue.depth (32 broadcasts)", "weather.loss (1.00 %)"},
		"radio.profile=ble-legacy":  {"radio.interval (100 ms)", "weather.loss (1.00 %)"},
		"radio.profile=lora":        {"radio.duty (1.00 %)", "weather.loss (1.00 %)"},
		"radio.profile=gfsk-packet": {"bridge.send_queue.depth (32 broadcasts)", "weather.loss (1.00 %)"},
		"radio.profile=ble-extended receivers.pillar.scan_window=10ms": {"radio.interval (100 ms)", "receivers.pillar.scan_window (10.0 ms)"},
	} {
		plan, err := scenarios.Open("orchard", strings.Fields(sets))
		require.NoError(t, err)
		r := &plan.Receivers[0]
		for i, stage := range []fate.Stage{fate.StageSendQueue, fate.StageFading} {
			l := leverOf(plan, r, r.Shows[0], stage)
			require.Equal(t, want[i], l.String(), sets)
			require.True(t, isKey(l.key))
		}
	}
}

// What a recording determines, or events, has no period to turn.
func TestPeriodsOfRecordingsAreNoKeys(t *testing.T) {
	plan, err := scenarios.Open("orchard", nil)
	require.NoError(t, err)
	r := &plan.Receivers[0]
	shown := r.Shows[0]
	require.Equal(t, "bus.messages.GroundDrive.period (20.0 ms)", leverOf(plan, r, shown, fate.StageSource).String())
	for i := range plan.Bus.Messages {
		plan.Bus.Messages[i].Period = 0
	}
	require.Equal(t, "the period of 120 (20.0 ms)", leverOf(plan, r, shown, fate.StageSource).String())
}

// A limit that more changes miss than it allows says that, and not that all do.
func TestWorstOfChangesNeverShown(t *testing.T) {
	s := &study.Signal{Shown: scenarios.Shown{Limit: &scenarios.Limit{Of: scenarios.OfChange, Quantile: 0.95, Value: 500 * time.Millisecond}}, Standing: math.Inf(1)}
	s.Shown.Signal.Name = "horn"
	d := &study.Receiver{Name: "rear"}
	require.Equal(t, "rear horn: under 95.0 % of changes ever shown, limit 500 ms", worstLine(d, s))
	s.Standing = 0.5
	require.Equal(t, "rear horn: 95.0 % of changes within 250 ms, limit 500 ms", worstLine(d, s))
}

func isKey(path string) bool {
	segments := strings.Split(path, ".")
	for _, k := range scenarios.Keys() {
		parts := strings.Split(k.Path, ".")
		same := len(parts) == len(segments)
		for i := 0; same && i < len(parts); i++ {
			same = parts[i] == "*" || parts[i] == segments[i]
		}
		if same {
			return true
		}
	}
	return false
}

func TestHeldBackIdentifiersAreNamed(t *testing.T) {
	c := &bridge.Config{Policy: bridge.Policy{Kind: bridge.Fill, Hold: 50e6},
		Forward: []bridge.Forward{{ID: 0x120, MinGap: 200e6}, {ID: 0x121, Divide: 5}, {ID: 0x122, MinGap: 10e6}}}
	require.Equal(t, "bridge.forward.0.cap (5.00/s)", holdLever(c, 0x120).String())
	require.Equal(t, "bridge.forward.1.divide (5)", holdLever(c, 0x121).String())
	require.Equal(t, "bridge.policy.hold (50.0 ms)", holdLever(c, 0x122).String())
}

// The printed terms of a bar add up to the printed mean, and the bar is full.
func TestApportion(t *testing.T) {
	require.Equal(t, []int{34, 33, 33}, apportion([]float64{1, 1, 1}, 100))
	require.Equal(t, []int{0, 0}, apportion([]float64{0, 0}, 100))
	require.Equal(t, []int{1, 99}, apportion([]float64{0.006, 0.994}, 100))
	for whole := range 200 {
		sum := 0
		for _, n := range apportion([]float64{0.1, 3.7, 2.2, 9, 1e-9}, whole) {
			sum += n
		}
		require.Equal(t, whole, sum)
	}
}

// The last line of the answer fits the page however many limits are undecided, and
// says for how many of them the time is known.
func TestWhatWouldDecideFitsTheLine(t *testing.T) {
	open := func(more float64) study.Signal {
		return study.Signal{Verdict: study.Undecided, MoreTime: more, Window: 200}
	}
	r := &study.Result{Replications: 10, Receivers: []study.Receiver{{Signals: []study.Signal{open(13.2 * 3600), open(0), open(60)}}}}
	require.Equal(t, "3 undecided: 13.2 h more, such as --replications 2386, for 2 of them", decideLine(r))
	require.Less(t, columns(decideLine(r)), 80-answerLabel)
	r.Receivers[0].Signals = r.Receivers[0].Signals[:1]
	require.Equal(t, "1 undecided: 13.2 h more simulated time, such as --replications 2386", decideLine(r))
}

// What holds a value back is told in the unit in which a scenario has it.
func TestUnitsOfWhatHoldsBack(t *testing.T) {
	c := &bridge.Config{
		Policy:   bridge.Policy{Kind: bridge.Slack, Slack: bridge.DefaultSlack(0.05)},
		Policies: []bridge.Policy{{Name: "slow", Kind: bridge.Fill, Hold: 50 * time.Millisecond}},
		Forward:  []bridge.Forward{{ID: 0x100}, {ID: 0x101, Policy: 1}, {ID: 0x102, Policy: 1, MinGap: 500 * time.Millisecond}},
	}
	require.Equal(t, lever{"bridge.policy.share", "5.00 %"}, holdLever(c, 0x100))
	require.Equal(t, lever{"bridge.policies.slow.hold", "50.0 ms"}, holdLever(c, 0x101))
	require.Equal(t, lever{"bridge.forward.2.cap", "2.00/s"}, holdLever(c, 0x102))
}
