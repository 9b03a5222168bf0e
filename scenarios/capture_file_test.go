package scenarios

import (
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
)

// What is no file is refused before anything is read: it might never end.
func TestCaptureOfNoFile(t *testing.T) {
	inFolder(t)
	require.NoError(t, os.Mkdir("folder", 0o755))
	require.NoError(t, syscall.Mkfifo("pipe", 0o644))
	for path, want := range map[string]string{
		"folder": `found "folder": is a directory, expected a capture of a bus`,
		"pipe":   `found "pipe": is no file: a capture is read more than once`,
	} {
		_, err := Open("mine.yaml", []string{"bus.capture=" + path})
		require.ErrorContains(t, err, want)
	}
}

// Standard input is kept while the plan lives, so that each replication can read
// it from its own offset.
func TestCaptureOfStandardInput(t *testing.T) {
	inFolder(t)
	t.Setenv("TMPDIR", t.TempDir())
	file, err := os.Open("drive.log")
	require.NoError(t, err)
	defer file.Close()
	stdin := os.Stdin
	os.Stdin = file
	defer func() { os.Stdin = stdin }()
	p := open(t, "mine.yaml", "bus.capture=-", "phases=fixed")
	require.Equal(t, reads(t, open(t, "mine.yaml", "phases=fixed"), 0, 900), reads(t, p, 0, 900))
	require.Equal(t, reads(t, p, 0, 900), reads(t, p, 1, 900))
	left := func() int {
		entries, err := os.ReadDir(os.TempDir())
		require.NoError(t, err)
		return len(entries)
	}
	require.Equal(t, 1, left())
	require.NoError(t, p.Close())
	require.NoError(t, p.Close())
	require.Zero(t, left())

	_, err = file.Seek(0, io.SeekStart)
	require.NoError(t, err)
	_, err = Open("mine.yaml", []string{"bus.capture=-", "receivers.dial.shows={nothing: 1s}"})
	require.ErrorContains(t, err, "unknown signal")
	require.Zero(t, left(), "nor when the plan fails")
}

// A file that changes or goes away between the replications is an error of the
// run, not a silence of the bus.
func TestCaptureThatGoesAway(t *testing.T) {
	inFolder(t)
	p := open(t, "mine.yaml")
	require.NoError(t, os.Remove("drive.log"))
	_, err := p.Bus.Source(Streams{}, nil, nil)
	require.ErrorContains(t, err, "drive.log")
}

// BenchmarkSurvey is the cost of a look at a capture, per line.
func BenchmarkSurvey(b *testing.B) {
	path := filepath.Join(b.TempDir(), "drive.log")
	if err := os.WriteFile(path, []byte(driveLog{until: 1000 * time.Second}.text()), 0o644); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	paged := map[bus.ID]*signal.Selector{0x1a0: {Bits: 2}}
	for b.Loop() {
		if _, err := openCapture([]string{path}, capture.Options{}, 500e3, 500e3, func(id bus.ID) *signal.Selector { return paged[id] }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/61000, "ns/line")
}
