package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// radioLine is a row of the README's table of radios: settings, limits met, time
// on air, worst age against its limit.
var radioLine = regexp.MustCompile("(?m)^\\| `([^`]+)` \\| ([^|]*) \\| ([^|]*) \\| ([^|]*) \\|")

// The table of the default scenario on each radio says what a run says.
func TestRadiosInTheReadme(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	rows := radioLine.FindAllStringSubmatch(string(text), -1)
	require.GreaterOrEqual(t, len(rows), 6)
	if os.Getenv("STALEGAUGE_LONG") == "" {
		rows = append(rows[:1:1], rows[2])
	}
	for _, row := range rows {
		args := []string{"run", "--format", "json"}
		for _, setting := range strings.Fields(row[1]) {
			args = append(args, "--set", setting)
		}
		var out bytes.Buffer
		run(t.Context(), args, nil, &out, io.Discard)
		met, air, worst := radioFigures(t, out.Bytes())
		require.Equal(t, row[2:5], []string{met, air, worst}, row[1])
	}
}

// radioFigures returns what the table says of a report.
func radioFigures(t *testing.T, report []byte) (met, air, worst string) {
	t.Helper()
	type value struct {
		Value float64 `json:"value"`
	}
	var r struct {
		Air struct {
			Own value `json:"own_share"`
		} `json:"air"`
		Receivers []struct {
			Signals []struct {
				Limit    *float64 `json:"limit_s"`
				Verdict  string   `json:"verdict"`
				Standing *float64 `json:"standing"`
			} `json:"signals"`
		} `json:"receivers"`
	}
	require.NoError(t, json.Unmarshal(report, &r))
	count, all, most, never := 0, 0, 0.0, false
	for _, d := range r.Receivers {
		for _, s := range d.Signals {
			if s.Limit == nil {
				continue
			}
			if all++; s.Verdict == "met" {
				count++
			}
			if s.Standing != nil {
				most = max(most, *s.Standing)
			} else {
				never = true
			}
		}
	}
	worst = fmt.Sprintf("%.2f", most)
	if never {
		worst = "never"
	}
	return fmt.Sprintf("%d of %d", count, all), fmt.Sprintf("%.2f %%", 100*r.Air.Own.Value), worst
}
