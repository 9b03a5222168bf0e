package reports

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/sim/study"
	"stalegauge/sim/study/size"
)

// punt is the smallest scenario that has something to choose.
const punt = `
duration: 10s
bus:
  messages:
    Pole: {id: 120, period: 50ms, signals: {depth: {start: 0, bits: 12}}}
    Lamp: {id: 121, period: 100ms, signals: {lamp: {start: 0, bits: 1}}}
bridge: {forward: [120]}
weather: {loss: 1%, burst: 5ms}
receivers: {stern: {redraw: 50ms, draw: 5ms, shows: {depth: 300ms}}}
size: {policies: [fill, table], hold: [50ms, 100ms], every: [50ms, 100ms], layouts: [id, packed], copies: 1}
`

// sizeOf searches a variant of the punt.
func sizeOf(t *testing.T, o size.Options, sets ...string) *size.Answer {
	t.Helper()
	path := filepath.Join(t.TempDir(), "punt.yaml")
	require.NoError(t, os.WriteFile(path, []byte(punt), 0o644))
	p, err := size.Open(path, sets)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	a, err := size.Run(context.Background(), p, o)
	require.NoError(t, err)
	return a
}

// textAndJSON writes an answer in both forms, and checks what holds for any.
func textAndJSON(t *testing.T, a *size.Answer) (string, map[string]any) {
	t.Helper()
	var text, data bytes.Buffer
	require.NoError(t, SizeText(&text, a, TextOptions{}))
	settings := true
	for _, line := range strings.Split(text.String(), "\n") {
		settings = settings && line != ""
		require.True(t, settings || columns(line) <= 80, line)
		require.NotContains(t, line, "NaN")
		require.NotContains(t, line, "Inf")
	}
	require.NoError(t, SizeJSON(&data, a))
	var d map[string]any
	require.NoError(t, json.Unmarshal(data.Bytes(), &d))
	return text.String(), d
}

// The first lines are the settings, and both forms tell the same.
func TestSizeTellsWhatWasFound(t *testing.T) {
	a := sizeOf(t, size.Options{Version: "test"})
	require.NotNil(t, a.Best)
	text, data := textAndJSON(t, a)
	require.True(t, strings.HasPrefix(text, "bridge:\n  "), text)
	for _, part := range []string{"found    ", "costs    ", "worst    stern depth, ", "Margin of each limit", "What each limit hangs on most", "  policy: {kind: ", "121         Lamp", "designs examined", "--budget "} {
		require.Contains(t, text, part)
	}
	require.Equal(t, true, data["feasible"])
	require.Equal(t, a.Best.Name, data["found"].(map[string]any)["name"])
	require.Len(t, data["optional"], 1)

	// What is only known in part is told so.
	a.Confirmed, a.Interrupted, a.RunnerUp = false, true, nil
	a.Best.Held[0].Ratio = study.Value{Defined: true, Value: math.Inf(1), Low: math.NaN(), High: math.NaN()}
	text, data = textAndJSON(t, a)
	require.Contains(t, text, "NOT YET")
	require.Contains(t, text, "never")
	require.Equal(t, true, data["interrupted"])
}

// Why nothing was found stands first.
func TestSizeTellsWhyNothingWasFound(t *testing.T) {
	a := sizeOf(t, size.Options{}, "receivers.stern.shows.depth=60ms")
	text, data := textAndJSON(t, a)
	require.True(t, strings.HasPrefix(text, "found    no design keeps all limits: the bus"), text)
	require.Contains(t, text, "nearest  receivers.stern.shows.depth=")
	require.Equal(t, false, data["feasible"])
	require.Equal(t, "bus floor", data["infeasible"].(map[string]any)["by"])

	a = sizeOf(t, size.Options{Ends: func(uint64) bool { return true }})
	text, data = textAndJSON(t, a)
	require.True(t, strings.HasPrefix(text, "found    nothing yet"), text)
	require.Nil(t, data["feasible"])
}
