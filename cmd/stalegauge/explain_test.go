package main

import (
	"bytes"
	"encoding/csv"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
)

// explainWorst explains the worst signal of the default scenario.
func explainWorst(t *testing.T) string {
	t.Helper()
	var report, text bytes.Buffer
	run(t.Context(), []string{"run"}, nil, &report, io.Discard)
	worst := regexp.MustCompile(`(?m)^worst +(\w+) (\w+): `).FindStringSubmatch(report.String())
	require.Len(t, worst, 3)
	require.NotEqual(t, statusWrong, run(t.Context(), []string{"run", "--explain", worst[2] + "@" + worst[1]}, nil, &text, io.Discard))
	return text.String()
}

// What a reader who knows nothing else must not meet: the words of the ledgers and
// of statistics. Parameters and commands are named as they are typed.
func TestExplanationUsesPlainWords(t *testing.T) {
	text := explainWorst(t)
	story := text[:strings.Index(text, "\nThe same again")]
	for _, typed := range []string{`turn\s+[\w.]+`, `--set KEY=VALUE`, `\bground_speed\b`} {
		story = regexp.MustCompile(typed).ReplaceAllString(story, "")
	}
	words := []string{"p99", "waterfall", "quantile", "percentile", "replication", "ledger", "record", "payload", "stochastic"}
	for s := range fate.Stages {
		if strings.Contains(s.String(), "_") {
			words = append(words, s.String())
		}
	}
	for f := range fate.Records {
		if strings.Contains(f.String(), "_") {
			words = append(words, f.String())
		}
	}
	for _, word := range words {
		require.NotContains(t, strings.ToLower(story), word)
	}
	for _, line := range strings.Split(text, "\n") {
		require.LessOrEqual(t, len([]rune(line)), 80, line)
	}
}

// The trace that an explanation names holds its end: the value comes to the glass
// at the instant that the story tells, and at no other.
func TestExplanationNamesItsTrace(t *testing.T) {
	t.Chdir(t.TempDir())
	text := explainWorst(t)
	command := regexp.MustCompile(`(?s)stalegauge (run --trace .*?)\n\n`).FindStringSubmatch(text)
	require.Len(t, command, 2)
	args := strings.Fields(strings.ReplaceAll(command[1], "\\\n", " "))
	require.NotEqual(t, statusWrong, run(t.Context(), args, nil, io.Discard, io.Discard))
	origin := number(t, `from ([0-9.]+) s after its beginning`, text)
	until := number(t, `Where the ([0-9.]+) ms went`, text)
	display := regexp.MustCompile(`on the display (\w+)`).FindStringSubmatch(text)[1]
	file, err := os.Open(filepath.Base(args[slices.Index(args, "--trace")+1]))
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	var ends []float64
	for _, row := range rows[1:] {
		at, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		if row[1] == "redraw" && row[10] == display && at > origin+until/1000-0.05 {
			ends = append(ends, at)
		}
	}
	require.Len(t, ends, 1)
	require.InDelta(t, origin+until/1000, ends[0], 0.0001)
}

func number(t *testing.T, pattern, text string) float64 {
	t.Helper()
	found := regexp.MustCompile(pattern).FindStringSubmatch(text)
	require.Len(t, found, 2, pattern)
	v, err := strconv.ParseFloat(found[1], 64)
	require.NoError(t, err)
	return v
}
