package reports_test

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/reports"
	"stalegauge/sim/study"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares what was printed with a file.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o777))
		require.NoError(t, os.WriteFile(path, got, 0o666))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

func TestReportsOfAnExample(t *testing.T) {
	text := func(o reports.TextOptions) func(io.Writer, *study.Result) error {
		return func(w io.Writer, r *study.Result) error { return reports.Text(w, r, o) }
	}
	for name, write := range map[string]func(io.Writer, *study.Result) error{
		"hopper.txt":  text(reports.TextOptions{}),
		"hopper.ansi": text(reports.TextOptions{Width: 80, Color: true}),
		"hopper.json": reports.JSON,
		"hopper.csv":  reports.CSV,
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			require.NoError(t, write(&b, hopper()))
			golden(t, name, b.Bytes())
		})
	}
}

// The colours say nothing that the words do not say.
func TestColorAddsNothing(t *testing.T) {
	var plain, colored bytes.Buffer
	require.NoError(t, reports.Text(&plain, hopper(), reports.TextOptions{}))
	require.NoError(t, reports.Text(&colored, hopper(), reports.TextOptions{Color: true}))
	require.NotEqual(t, plain.String(), colored.String())
	require.Equal(t, plain.String(), escapes.ReplaceAllString(colored.String(), ""))
}

func TestEmptyResult(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, reports.Text(&b, &study.Result{}, reports.TextOptions{}))
	require.True(t, strings.HasPrefix(b.String(), "limits   0 met, 0 missed, 0 undecided of 0 limits\n"), b.String())
	b.Reset()
	require.NoError(t, reports.JSON(&b, &study.Result{}))
	require.Contains(t, b.String(), `"receivers": []`)
	b.Reset()
	require.NoError(t, reports.CSV(&b, &study.Result{}))
	require.Equal(t, 1, strings.Count(b.String(), "\r\n"))
}

func TestWriteErrorsAreReturned(t *testing.T) {
	r := hopper()
	require.ErrorIs(t, reports.Text(broken{}, r, reports.TextOptions{}), io.ErrShortWrite)
	require.ErrorIs(t, reports.JSON(broken{}, r), io.ErrShortWrite)
	require.ErrorIs(t, reports.CSV(broken{}, r), io.ErrShortWrite)
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, io.ErrShortWrite }
