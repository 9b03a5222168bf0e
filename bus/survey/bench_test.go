package survey

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/traffic"
)

// bigLog writes a text log of about so many bytes: a busy bus of 64 identifiers
// with counters, checksums and values in them.
func bigLog(tb testing.TB, size int64) string {
	tb.Helper()
	var m []traffic.Message
	for i := range 64 {
		m = append(m, traffic.Message{ID: bus.ID(0x100 + 8*i), Length: 8, Period: time.Duration(20+i) * ms, Jitter: ms, Fields: []traffic.Field{
			field("value", 0, 16, traffic.Value{Kind: traffic.RandomWalk, High: 60_000, Step: 500}),
			field("count", 52, 4, traffic.Value{Kind: traffic.Counter}), field("check", 56, 8, traffic.Value{Kind: traffic.Checksum})}})
	}
	set, err := traffic.New(traffic.Config{Messages: m, BitRate: 500_000, Stream: streams(1)})
	require.NoError(tb, err)
	path := filepath.Join(tb.TempDir(), "big.log")
	file, err := os.Create(path)
	require.NoError(tb, err)
	w := bufio.NewWriterSize(file, 1<<20)
	written := int64(0)
	for f := (bus.Frame{}); written < size && set.Next(&f); {
		n, err := fmt.Fprintf(w, "(%d.%06d) can0 %s#%X\n", 1_700_000_000+f.At/time.Second, f.At%time.Second/time.Microsecond, f.ID, f.Payload())
		require.NoError(tb, err)
		written += int64(n)
	}
	require.NoError(tb, w.Flush())
	require.NoError(tb, file.Close())
	return path
}

func surveyFile(tb testing.TB, path string) *Surveyor {
	tb.Helper()
	r, err := capture.Open(path, capture.Options{})
	require.NoError(tb, err)
	defer r.Close()
	u := Take(r, 0, Options{})
	require.NoError(tb, r.Err())
	return u
}

func allocated() uint64 {
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	return s.TotalAlloc
}

// The memory does not grow with the log: all bytes ever allocated for the whole of
// it are about those for its first tenth.
func TestALongLogTakesConstantMemory(t *testing.T) {
	size := int64(20 << 20)
	if long() {
		size = 200 << 20
	}
	path := bigLog(t, size)
	begun := allocated()
	u := surveyFile(t, path)
	whole := allocated() - begun
	require.Greater(t, u.frames, uint64(size/60))
	inv := u.Inventory()
	require.Equal(t, 500_000, inv.BitRate.Value)
	require.Equal(t, 64, len(inv.IDs))
	require.Less(t, whole, uint64(12<<20), "buffers of the reader, and some histograms")

	require.NoError(t, os.Truncate(path, size/10))
	begun = allocated()
	surveyFile(t, path)
	part := allocated() - begun
	require.Less(t, float64(whole), 1.5*float64(part))
}

// A log surveyed, beside counting its lines and reading its frames.
func BenchmarkLog(b *testing.B) {
	const size = 20 << 20
	path := bigLog(b, size)
	run := func(name string, work func(b *testing.B)) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(size)
			b.ReportAllocs()
			for b.Loop() {
				work(b)
			}
		})
	}
	run("count lines", func(b *testing.B) {
		f, err := os.Open(path)
		require.NoError(b, err)
		defer f.Close()
		s := bufio.NewScanner(f)
		for s.Scan() {
		}
		require.NoError(b, s.Err())
	})
	run("read frames", func(b *testing.B) {
		r, err := capture.Open(path, capture.Options{})
		require.NoError(b, err)
		defer r.Close()
		var f bus.Frame
		for r.Next(&f) {
		}
	})
	run("survey", func(b *testing.B) { surveyFile(b, path) })
}
