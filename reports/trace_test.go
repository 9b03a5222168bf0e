package reports_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Both forms of a trace say the same, field by field: what is empty in one is null
// in the other.
func TestTraceFormsAgree(t *testing.T) {
	plan, err := scenarios.Open("orchard", []string{"duration=300ms", "receivers.tail.power_up=1s"})
	require.NoError(t, err)
	var table, lines bytes.Buffer
	chosen := plan.Receivers[0].Shows
	writers := []*reports.Trace{reports.NewTrace(&table, reports.TraceCSV, chosen), reports.NewTrace(&lines, reports.TraceLines, chosen)}
	_, err = sim.Trace(plan, 0, nil, func(e *sim.Event) error {
		for _, w := range writers {
			require.NoError(t, w.Write(e))
		}
		return nil
	})
	require.NoError(t, err)
	for _, w := range writers {
		require.NoError(t, w.Flush())
	}
	rows, err := csv.NewReader(&table).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1000)
	decoder := json.NewDecoder(&lines)
	decoder.UseNumber()
	for _, row := range rows[1:] {
		var object map[string]any
		require.NoError(t, decoder.Decode(&object))
		require.Len(t, object, len(row))
		for i, name := range rows[0] {
			value, has := object[name]
			require.True(t, has, name)
			if value == nil {
				value = ""
			}
			require.Equal(t, row[i], fmt.Sprint(value), name)
		}
	}
	require.False(t, decoder.More())
}

// One event of each kind, as it is written.
func TestTraceRows(t *testing.T) {
	event := sim.Event{At: 1234567 * time.Nanosecond, Frame: 7, ID: 0x120, Page: bridge.NoPage, ValidAt: time.Millisecond}
	for _, c := range []struct {
		change func(e *sim.Event)
		want   string
	}{
		{func(e *sim.Event) { e.Stage, e.Data = fate.StageWire, []byte{1, 0xAB} }, "0.001234567,wire,,7,120,,0.001000000,0.000234567,,,,01ab,"},
		{func(e *sim.Event) { e.Stage, e.Page = fate.StageHold, 3 }, "0.001234567,hold,,7,120,3,0.001000000,0.000234567,,,,,"},
		{func(e *sim.Event) { e.Kind, e.FrameFate = sim.FrameSettled, fate.FrameReplaced }, "0.001234567,frame,replaced,7,120,,0.001000000,0.000234567,,,,,"},
		{func(e *sim.Event) {
			e.Kind, e.RecordFate, e.Display, e.OfBroadcast, e.Broadcast, e.Copy = sim.RecordSettled, fate.RecordFaded, "dial", true, 9, 1
		}, "0.001234567,record,faded,7,120,,0.001000000,0.000234567,9,1,dial,,"},
		{func(e *sim.Event) { e.Kind, e.OfBroadcast = sim.AccessFailed, true }, "0.001234567,access_failed,,7,120,,0.001000000,0.000234567,0,0,,,"},
		{func(e *sim.Event) { *e = sim.Event{At: e.At, Kind: sim.Drawing, Display: "dial"} }, "0.001234567,drawing,,,,,,,,,dial,,"},
		{func(e *sim.Event) { *e = sim.Event{At: e.At, Kind: sim.Gap} }, "0.001234567,gap,,,,,,,,,,,"},
	} {
		e := event
		c.change(&e)
		var b strings.Builder
		w := reports.NewTrace(&b, reports.TraceCSV, nil)
		require.NoError(t, w.Write(&e))
		require.NoError(t, w.Flush())
		require.Equal(t, c.want, strings.Split(b.String(), "\r\n")[1])
	}
}

func TestTraceReturnsErrors(t *testing.T) {
	w := reports.NewTrace(broken{}, reports.TraceLines, nil)
	require.Error(t, w.Write(&sim.Event{}))
	w = reports.NewTrace(broken{}, reports.TraceCSV, nil)
	require.Error(t, w.Flush())
}
