package metrics

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/common/expfmt"
	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

var update = flag.Bool("update", false, "write the golden files anew")

const ms = time.Millisecond

// golden compares a text with a file of testdata.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, got, 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

// probe is a display with one value that arrived at 100 ms, 50 ms old, and was
// never replaced; its limit is 200 ms.
type probe struct {
	lock  sync.Mutex
	glass *age.Track
	now   time.Duration
}

func newProbe() *probe {
	p := &probe{glass: age.NewTrack(200 * ms)}
	p.glass.Open(100*ms, 50*ms)
	p.glass.Update(300*ms, 260*ms)
	return p
}

func (p *probe) source() []*Snapshot {
	p.lock.Lock()
	defer p.lock.Unlock()
	s := ReadSignal(p.glass, p.glass, 0, p.now, true)
	s.Name = "speed"
	r := Receiver{Name: "pillar", Signals: []Signal{s}}
	r.RecordFates[fate.RecordTaken], r.RecordFates[fate.RecordFaded] = 90, 10
	b := &Bridge{Frames: 1000, Observed: p.now, Stages: []bridge.StageUse{{Name: "bus queue", HighWater: 3, Capacity: 32, Unit: "frames"}}}
	b.FrameFates[fate.FrameSent] = 900
	return []*Snapshot{{
		Design: `bench "1"`, Start: time.Unix(1_700_000_000, 0), Bridge: b, Receivers: []Receiver{r},
		Air: &Air{Limit: 0.1, Air: sim.Air{Window: p.now, Own: 30 * ms, Broadcasts: 20}},
	}}
}

// The whole exposition, and the linter of the metrics library on it.
func TestExposition(t *testing.T) {
	p := newProbe()
	p.now = time.Second
	registry := NewRegistry(p.source)
	found, err := testutil.GatherAndLint(registry)
	require.NoError(t, err)
	require.Empty(t, found)
	var names []string
	for _, f := range families {
		names = append(names, f.name)
	}
	text, err := testutil.CollectAndFormat(collectorOf(p.source), expfmt.TypeTextPlain, names...)
	require.NoError(t, err)
	golden(t, "exposition.txt", text)
}

// collectorOf returns the collector alone, without the figures of the process.
func collectorOf(s Source) prometheus.Collector {
	c := newCollector(s, time.Unix(0, 0))
	prometheus.NewPedanticRegistry().MustRegister(c) // finds descriptions that contradict each other
	return c
}

// A signal of which nothing comes any more gains age and stale seconds at every
// look, though no event happens.
func TestDeadSignalGoesStaleAtTheLook(t *testing.T) {
	p := newProbe()
	stale := func(at time.Duration) (stale, observed time.Duration) {
		p.now = at
		s := p.source()[0].Receivers[0].Signals[0]
		require.Equal(t, 100*ms, s.Unknown)
		require.Equal(t, 300*ms, s.Updated)
		return s.Stale, s.Observed
	}
	// From 50 to 250 ms old until 300 ms: 50 ms over the limit. Then 40 ms old: over
	// it from 460 ms on.
	for at, want := range map[time.Duration]time.Duration{300 * ms: 50 * ms, 460 * ms: 50 * ms, 461 * ms: 51 * ms, time.Hour: 50*ms + time.Hour - 460*ms} {
		got, observed := stale(at)
		require.Equal(t, want, got, "at %v", at)
		require.Equal(t, at-100*ms, observed)
	}
}

// Whoever drains the channel may need the very lock that the source takes: it is
// free while metrics are sent.
func TestNoLockIsHeldWhileSending(t *testing.T) {
	p := newProbe()
	p.now = time.Second
	ch := make(chan prometheus.Metric)
	go func() {
		collectorOf(p.source).Collect(ch)
		close(ch)
	}()
	timeout := time.After(20 * time.Second)
	for n := 0; ; n++ {
		require.True(t, p.lock.TryLock(), "the lock is held while metric %d is sent", n)
		p.lock.Unlock()
		select {
		case _, more := <-ch:
			if !more {
				require.Greater(t, n, 40)
				return
			}
		case <-timeout:
			t.Fatal("collecting hangs")
		}
	}
}

// What the linter is for: each fault is found.
func TestLinterFindsFaults(t *testing.T) {
	for _, bad := range []prometheus.Collector{
		prometheus.NewGauge(prometheus.GaugeOpts{Name: "stalegauge_signal_age_ms", Help: "x"}),
		prometheus.NewCounter(prometheus.CounterOpts{Name: "stalegauge_frames", Help: "x"}),
		prometheus.NewGauge(prometheus.GaugeOpts{Name: "stalegauge_frames_total", Help: "x"}),
	} {
		found, err := testutil.CollectAndLint(bad)
		require.NoError(t, err)
		require.NotEmpty(t, found)
	}
}

// The native histogram holds the same updates as the classic one, each within its
// bucket.
func TestNativeBuckets(t *testing.T) {
	var p age.Points
	for _, v := range []time.Duration{0, 1, 3 * ms, 3 * ms, 100 * ms, 10 * time.Second} {
		p.Add(v, 1)
	}
	l := readLatency(&p, true)
	require.Equal(t, uint64(1), l.Zero)
	var all int64
	for _, n := range l.Native {
		all += n
	}
	require.Equal(t, int64(5), all)
	require.Equal(t, int64(2), l.Native[-67], "3 ms: 2^(-67/8) s = 3.01 ms, 2^(-68/8) = 2.76 ms")
	require.Equal(t, []uint64{4, 4, 4}, l.Within[:3])
}

func TestNamesAreDistinct(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range families {
		require.False(t, seen[f.name], f.name)
		seen[f.name] = true
		require.True(t, strings.HasPrefix(f.name, prefix))
		require.Equal(t, f.kind == counter, strings.HasSuffix(f.name, "_total"), f.name)
		require.True(t, strings.HasSuffix(f.help, "."), f.name)
	}
}
