package reports_test

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/explain"
	"stalegauge/sim/study"
)

// Whatever is explained is told within the width and ends with how to repeat it.
func TestEverySignalCanBeExplained(t *testing.T) {
	told := 0
	for _, info := range scenarios.Builtins() {
		for _, sets := range [][]string{nil, {"weather.loss=40%", "weather.burst=300ms"}} {
			plan, err := scenarios.Open(info.Name, append([]string{"duration=1500ms"}, sets...))
			require.NoError(t, err)
			told += explainAll(t, plan)
		}
	}
	require.Greater(t, told, 50)
}

func explainAll(t *testing.T, plan *scenarios.Plan) (told int) {
	t.Helper()
	var all []*explain.Search
	for i := range plan.Receivers {
		for k := range plan.Receivers[i].Shows {
			all = append(all, explain.NewSearch(plan, i, k))
		}
	}
	result, err := study.Run(context.Background(), plan, study.Options{Replications: 1, Folded: func(run *sim.Replication) {
		for _, s := range all {
			s.Add(run)
		}
	}})
	require.NoError(t, err)
	for i, s := range all {
		if i%3 != 0 {
			continue // they are alike
		}
		e, err := s.Explain(context.Background())
		require.NoError(t, err)
		var b bytes.Buffer
		require.NoError(t, reports.Explain(&b, result, e, []string{"stalegauge", "run", plan.Path}, reports.TextOptions{}))
		require.Contains(t, b.String(), "--explain")
		require.NotContains(t, b.String(), "%!")
		for _, line := range strings.Split(b.String(), "\n") {
			require.LessOrEqual(t, utf8.RuneCountInString(line), 80, line)
		}
		told++
	}
	return told
}
