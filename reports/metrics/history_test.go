package metrics

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// recorded runs a scenario with a history of it.
func recorded(t *testing.T, name, design string, step time.Duration, sets ...string) (*study.Result, *History) {
	t.Helper()
	plan, err := scenarios.Open(name, sets)
	require.NoError(t, err)
	h, err := NewHistory(plan, design, plan.Replications, step)
	require.NoError(t, err)
	r, err := study.Run(context.Background(), plan, study.Options{Looks: h.Looks(), See: h.See, Folded: h.Add})
	require.NoError(t, err)
	return r, h
}

func long() bool { return os.Getenv("STALEGAUGE_LONG") != "" }

// series reads a history back: values by series and, in order, their instants.
func series(t *testing.T, text string) (values map[string][]float64, instants map[string][]float64) {
	t.Helper()
	values, instants = map[string][]float64{}, map[string][]float64{}
	for _, line := range strings.Split(text, "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		name, rest, _ := strings.Cut(line, "} ")
		var v, at float64
		_, err := fmt.Sscan(rest, &v, &at)
		require.NoError(t, err, line)
		values[name+"}"] = append(values[name+"}"], v)
		instants[name+"}"] = append(instants[name+"}"], at)
	}
	return values, instants
}

// Every series begins with 0 at the window's start, never falls, and ends at the
// window's end with the figure of the report; also on a display that is switched on
// late, whose window begins between two steps.
func TestHistoryEndsAtTheReport(t *testing.T) {
	duration := "8s"
	if long() {
		duration = "60s"
	}
	r, h := recorded(t, "orchard", "late", time.Second, "duration="+duration, "replications=3",
		"receivers.pillar.power_up=2345678us", "bridge.policy.hold=400ms")
	var b bytes.Buffer
	samples, err := h.Write(&b)
	require.NoError(t, err)
	contents, err := Check(bytes.NewReader(b.Bytes()), "late.om")
	require.NoError(t, err)
	require.Equal(t, samples, contents.Samples)
	require.Equal(t, []string{"late"}, contents.Designs)
	require.Equal(t, Epoch, contents.From)
	values, instants := series(t, b.String())
	require.Len(t, values, contents.Series)
	from, end := r.Plan.Window()
	epoch := float64(Epoch.Unix())
	sum := map[string]float64{}
	for name, v := range values {
		at := instants[name]
		require.InDelta(t, epoch+end.Seconds(), at[len(at)-1], 0.0011, name)
		if strings.Contains(name, "last_update") || !strings.Contains(name, "_total{") && !strings.Contains(name, "_bucket{") {
			continue
		}
		require.Zero(t, v[0], name)
		for i := 1; i < len(v); i++ {
			require.GreaterOrEqual(t, v[i], v[i-1], name)
		}
		key, _, _ := strings.Cut(name, `,replication="`)
		sum[key] += v[len(v)-1]
		if strings.HasPrefix(name, "stalegauge_signal") && strings.Contains(name, `receiver="pillar"`) {
			require.InDelta(t, epoch+from[0].Seconds(), at[0], 0.0011, name)
			require.Less(t, epoch+from[0].Seconds(), at[1], name)
		}
	}
	requireReport(t, r, sum)
}

// requireReport compares sums over replications with the pooled figures.
func requireReport(t *testing.T, r *study.Result, sum map[string]float64) {
	t.Helper()
	stale := 0.0
	for _, d := range r.Receivers {
		for i := range d.Signals {
			s := &d.Signals[i]
			labels := fmt.Sprintf(`{signal=%q,receiver=%q,design="late"`, s.Shown.Signal.Name, d.Name)
			observed := sum["stalegauge_signal_observed_seconds_total"+labels]
			require.InDelta(t, s.Observed, observed, 1e-6)
			require.InDelta(t, s.Window-s.Observed, sum["stalegauge_signal_unknown_seconds_total"+labels], 1e-6)
			require.InDelta(t, s.OverLimit.Value, sum["stalegauge_signal_stale_seconds_total"+labels]/observed, 1e-9)
			stale += s.OverLimit.Value
		}
		for k, n := range d.RecordFates {
			require.Equal(t, float64(n), sum[fmt.Sprintf(`stalegauge_records_total{receiver=%q,fate=%q,design="late"`, d.Name, fate.Record(k))])
		}
	}
	require.NotZero(t, stale, "a test of zeros shows nothing")
	for k, n := range r.FrameFates {
		require.Equal(t, float64(n), sum[fmt.Sprintf(`stalegauge_frames_total{fate=%q,design="late"`, fate.Frame(k))])
	}
	require.Equal(t, float64(r.Frames), sum[`stalegauge_bus_frames_total{design="late"`])
	window := sum[`stalegauge_air_observed_seconds_total{design="late"`]
	require.InDelta(t, r.OwnShare.Value, sum[`stalegauge_air_own_seconds_total{design="late"`]/window, 1e-9)
	require.InDelta(t, r.OthersShare.Value, sum[`stalegauge_air_others_seconds_total{design="late"`]/window, 1e-9)
}

// A frame that counted as lost and was sent after all was never lost for good: a
// counter shows what stays. A gauge shows what was.
func TestCountersNeverFall(t *testing.T) {
	r := recording{rows: [][]float64{{0, 0, 5}, {3, 1, 9}, {2, 1, 4}, {2, 4, 6}}}
	r.columns = []column{{family: frames}, {family: busFrames, at: 1}, {family: stageWaiting, at: 2}}
	r.settle()
	require.Equal(t, [][]float64{{0, 0, 5}, {2, 1, 9}, {2, 1, 4}, {2, 4, 6}}, r.rows)
}

// The same seed gives the same bytes, on any number of cores.
func TestHistoryIsDeterministic(t *testing.T) {
	var texts [2]bytes.Buffer
	for i := range texts {
		plan, err := scenarios.Open("orchard", []string{"duration=3s", "replications=4"})
		require.NoError(t, err)
		h, err := NewHistory(plan, "orchard", 4, time.Second)
		require.NoError(t, err)
		_, err = study.Run(context.Background(), plan, study.Options{Workers: 1 + 3*i, Looks: h.Looks(), See: h.See, Folded: h.Add})
		require.NoError(t, err)
		_, err = h.Write(&texts[i])
		require.NoError(t, err)
	}
	require.True(t, bytes.Equal(texts[0].Bytes(), texts[1].Bytes()))
}

// What would not fit is refused before anything runs.
func TestHistoryHasASize(t *testing.T) {
	plan, err := scenarios.Open("orchard", []string{"duration=100h"})
	require.NoError(t, err)
	_, err = NewHistory(plan, "x", 10, 10*time.Second)
	require.ErrorContains(t, err, "take a longer step, fewer replications or a shorter duration")
	_, err = NewHistory(plan, "x", 10, 1500*time.Microsecond)
	require.ErrorContains(t, err, "whole milliseconds")
	_, err = NewHistory(plan, "x", 1, 10*time.Minute)
	require.NoError(t, err)
}

// The estimate before the run is close to what is written.
func TestHistorySizeIsForeseen(t *testing.T) {
	_, h := recorded(t, "orchard", "x", 100*time.Millisecond, "duration=5s", "replications=1")
	var b bytes.Buffer
	samples, err := h.Write(&b)
	require.NoError(t, err)
	require.InEpsilon(t, samples, h.foreseen, 0.35) // series of a window begin late
	_, h = recorded(t, "orchard", "x", time.Second, "duration=100s", "replications=1")
	samples, err = h.Write(&b)
	require.NoError(t, err)
	require.InEpsilon(t, samples, h.foreseen, 0.05)
}

// Two signals of one name are told apart by their identifiers.
func TestSignalNames(t *testing.T) {
	plan, err := scenarios.Open("orchard", nil)
	require.NoError(t, err)
	names := signalNames(plan)
	require.Equal(t, "ground_speed", names(&plan.Receivers[0].Shows[0]))
	other := plan.Receivers[0].Shows[0]
	other.ID++
	plan.Receivers[0].Shows = append(plan.Receivers[0].Shows, other)
	require.Equal(t, "121.ground_speed", signalNames(plan)(&other))
}
