package reports_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

func joined(t *testing.T, r *study.Result) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, reports.Text(&b, r, reports.TextOptions{}))
	return strings.Join(strings.Fields(b.String()), " ")
}

// Where changes count in memory, the report says so.
func TestWhereChangesCount(t *testing.T) {
	r := hopper()
	s := &r.Receivers[0].Signals[0]
	s.Shown.Limit = &scenarios.Limit{Of: scenarios.OfChange, Quantile: .95, Value: time.Second}
	s.Values = &study.Values{Changes: 20, InTime: exact(1)}
	require.NotContains(t, joined(t, r), "when they are in memory")
	s.Shown.Limit.At = scenarios.InMemory
	require.Contains(t, joined(t, r), "changes count when they are in memory, not at the glass: "+s.Shown.Signal.Name)
}

// Of a long forward list those that waited longest are told.
func TestALongForwardList(t *testing.T) {
	r := hopper()
	r.Entries = nil
	for i := range 40 {
		r.Entries = append(r.Entries, study.Entry{ID: "x" + string(rune('A'+i)), Waited: float64(i)})
	}
	text := joined(t, r)
	require.Contains(t, text, "The 32 that waited longest; 8 entries more are in the JSON report.")
	require.Contains(t, text, " "+r.Entries[39].ID+" ")
	require.NotContains(t, text, " "+r.Entries[7].ID+" ")
}
