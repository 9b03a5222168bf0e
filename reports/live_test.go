package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
	"stalegauge/sim/live"
)

// liveExample is a run of the default scenario of which the listener measured
// exactly what was predicted, with some trouble on the way.
func liveExample(t *testing.T, late time.Duration) *Live {
	t.Helper()
	plan, err := scenarios.Open(scenarios.Default, nil)
	require.NoError(t, err)
	desk := live.Desk{Span: 20 * time.Second}
	prepared, err := live.Prepare(plan, desk)
	require.NoError(t, err)
	run, err := sim.Run(prepared, 0)
	require.NoError(t, err)
	sent := &live.Sent{Span: 20 * time.Second, Elapsed: 20 * time.Second, Datagrams: 365, Asked: 18.2, Outputs: []*live.Output{
		{Name: "127.0.0.1:47100", Sent: 364, Bytes: 51234, Failed: 1, Errors: map[string]uint64{"no buffer space available": 1}, Asked: 4 << 20, Buffer: 1 << 20},
	}}
	for set := range 10 {
		sent.Bridges = append(sent.Bridges, live.BridgeSent{Set: uint16(17 + set), Frames: run.Frames, Fates: run.FrameFates})
	}
	sent.Lateness.Add(late, 365)
	m := &live.Measured{
		Plan: prepared, Began: true, Span: 20 * time.Second, Run: run, Lateness: &age.Points{}, Asked: 4 << 20, Drops: 3, DropsKnown: true,
		Counts: live.Counts{
			Datagrams: 370, Own: 361, Foreign: 6, Sets: map[uint16]uint64{40: 5, 9: 1}, Losses: live.Losses{Heard: 360, Duplicates: 1, Missing: 4, Runs: [live.RunLengths]uint64{0: 2, 1: 1}, Longest: 2},
			SameClock: true, Aligned: true,
		},
	}
	m.Counts.Malformed[bridge.TooShort] = 3
	o, err := live.Judge(m, plan, desk, &sent.Lateness, true)
	require.NoError(t, err)
	return &Live{Plan: plan, Speed: "1x", Bridges: 10, Sent: sent, Heard: o, Untested: []string{"the weather of tomorrow"}}
}

func liveText(t *testing.T, r *Live) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, LiveText(&b, r, TextOptions{}))
	for _, line := range strings.Split(b.String(), "\n") {
		require.LessOrEqual(t, columns(line), minWidth, line)
	}
	return b.String()
}

func TestLiveTextAnswersFirst(t *testing.T) {
	text := liveText(t, liveExample(t, time.Millisecond))
	lines := strings.Split(text, "\n")
	for i, start := range []string{"sent     365 datagrams", "late     p50 1.00 ms", "lost     4 of 364 missing (1.10 %) in 3 runs of 1.33", "limits   ", "ages     22 of 22 signals as predicted, within 3.00 ms", "clock    the sender's is this host's"} {
		require.True(t, strings.HasPrefix(lines[i], start), "line %d: %s", i+1, lines[i])
	}
	for _, part := range []string{"the kernel dropped 3", "set 9: 1", "set 40: 5", "no buffer space available", "1,048,576 got", "2 more", "the weather of tomorrow", "too_short"} {
		require.Contains(t, text, part)
	}
}

// A host that is too busy gets no verdict on ages; counts stand.
func TestLiveTextOfABusyHost(t *testing.T) {
	r := liveExample(t, 6*time.Millisecond)
	text := liveText(t, r)
	require.Contains(t, text, "HOST TOO BUSY")
	require.Contains(t, text, "limits   host too busy, no verdict")
	require.NotContains(t, text, "+ met")
	require.False(t, r.Heard.Met())
	require.Contains(t, text, "4 of 364 missing")
}

func TestLiveRampAndIntervals(t *testing.T) {
	r := liveExample(t, time.Millisecond)
	r.Ramp = &live.Ramp{Knee: 150, Ended: "225/s was too much: 3 % of the datagrams were lost", Steps: []live.RampStep{
		{Asked: 150, Achieved: 149.9, Sent: 1500, Heard: 1500, Passed: true},
		{Asked: 225, Achieved: 224, Sent: 2240, Heard: 2170, Loss: 0.031, Why: "3 % of the datagrams were lost"},
	}}
	r.Heard.Live, r.Heard.Comparisons = nil, nil
	r.Heard.Rates[8] = live.RateUse{Seconds: 3, Sent: 600, Heard: 597}
	r.Heard.Rates[9] = live.RateUse{Seconds: 1, Sent: 300, Heard: 200}
	r.Heard.Intervals = []*live.Interval{{ID: 0x120, Page: bridge.NoPage}}
	text := liveText(t, r)
	for _, part := range []string{"knee     150 datagrams/s; 225/s was too much", "! no", "128..255", "256..511", "33.3", "Intervals from record to record"} {
		require.Contains(t, text, part)
	}
}

// JSON and CSV hold the same figures.
func TestLiveFiguresForPrograms(t *testing.T) {
	r := liveExample(t, time.Millisecond)
	var j, c bytes.Buffer
	require.NoError(t, LiveJSON(&j, r))
	require.NoError(t, LiveCSV(&c, r))
	var document struct {
		Schema   int
		Scenario string
		Facts    []liveFact
	}
	require.NoError(t, json.Unmarshal(j.Bytes(), &document))
	require.Equal(t, "orchard", document.Scenario)
	rows, err := csv.NewReader(&c).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, len(document.Facts)+1)
	for i, f := range document.Facts {
		require.Equal(t, []string{f.Part, f.Of, f.Signal, f.Quantity}, rows[i+1][:4])
		require.Equal(t, f.Value == nil, rows[i+1][4] == "")
	}
}

// The live table groups by display and limit, marks what is too old in words and
// sign, and keeps to the height of the window.
func TestLiveTable(t *testing.T) {
	r := liveExample(t, time.Millisecond)
	v := live.View{Began: true, Elapsed: 12 * time.Second, Counts: r.Heard.Counts}
	for _, d := range r.Plan.Receivers {
		shown := make([]sim.Shown, len(d.Shows))
		for k := range shown {
			shown[k] = sim.Shown{Known: k != 1, Age: 300 * time.Millisecond}
		}
		v.Displays = append(v.Displays, shown)
	}
	lines := LiveTable(r.Plan, &v, TextOptions{}, 100)
	text := strings.Join(lines, "\n")
	require.Contains(t, lines[0], "12s: 361 datagrams, 4 missing")
	require.Contains(t, strings.Join(strings.Fields(text), " "), "nearest to its limit pillar ground_speed at 120 %")
	require.Contains(t, text, "pillar, limit 250 ms\n  ground_speed                    300 ms ! ====================|===")
	require.Contains(t, text, "unknown")
	short := LiveTable(r.Plan, &v, TextOptions{}, 10)
	require.LessOrEqual(t, len(short), 10)
	require.Contains(t, short[len(short)-1], "signals more")
	require.Contains(t, LiveLine(r.Plan, &live.View{}), "waiting")
}
