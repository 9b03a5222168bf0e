package metrics

import (
	"bytes"
	"context"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"

	"stalegauge/scenarios"
	"stalegauge/sim/live"
)

// startLive sends the default scenario over the loopback for a span, and listens
// to it until the test ends.
func startLive(t *testing.T, design string, span time.Duration) *LiveRun {
	t.Helper()
	plan, err := scenarios.Open(scenarios.Default, nil)
	require.NoError(t, err)
	plan, err = live.Prepare(plan, live.Desk{Span: span, Bridges: 2})
	require.NoError(t, err)
	on, err := live.ResolveAddress("127.0.0.1:0", "")
	require.NoError(t, err)
	socket, err := live.Bind(on)
	require.NoError(t, err)
	to, err := live.ResolveAddress(socket.LocalAddr().String(), "")
	require.NoError(t, err)
	conn, output, err := live.Dial(to)
	require.NoError(t, err)
	start := time.Now()
	listener := live.NewListener(live.ListenerConfig{Plan: plan, Start: start, Watched: true})
	r := &LiveRun{Design: design, Plan: plan, Watch: new(live.Watch), Pace: rate.NewLimiter(1000, 100), Listener: listener, Socket: socket}
	ctx, stop := context.WithCancel(context.Background())
	heard, sent := make(chan error, 1), make(chan error, 1)
	go func() { heard <- listener.Listen(ctx, socket) }()
	go func() {
		_, err := live.Send(ctx, live.SenderConfig{Plan: plan, Span: span, Speed: 1, Start: start, Outputs: []*live.Output{output}, Pace: r.Pace, Watch: r.Watch})
		sent <- err
	}()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-sent)
		require.NoError(t, <-heard)
		_, _ = conn.Close(), socket.Close()
	})
	return r
}

var sample = regexp.MustCompile(`(?m)^(stalegauge_\w+)(\{[^}]*\}) (\S+)$`)

// read returns the samples of a door by family and labels.
func read(t *testing.T, url string) map[string]float64 {
	t.Helper()
	_, text := get(t, url)
	all := map[string]float64{}
	for _, m := range sample.FindAllStringSubmatch(text, -1) {
		v, err := strconv.ParseFloat(m[3], 64)
		require.NoError(t, err)
		all[m[1]+m[2]] = v
	}
	return all
}

// sumOf adds up the samples of one family that have a label's value.
func sumOf(all map[string]float64, name, label string) (sum float64) {
	for key, v := range all {
		if strings.HasPrefix(key, name+"{") && strings.Contains(key, label) {
			sum += v
		}
	}
	return sum
}

// neverBack reads a door for 3 s: no counter goes back.
func neverBack(t *testing.T, url string) {
	t.Helper()
	var before map[string]float64
	for range 30 {
		now := read(t, url)
		for key, v := range before {
			if name, _, _ := strings.Cut(key, "{"); strings.HasSuffix(name, "_total") || strings.HasSuffix(name, "_bucket") || strings.HasSuffix(name, "_count") || strings.HasSuffix(name, "_sum") {
				require.GreaterOrEqual(t, now[key], v, key)
			}
		}
		before = now
		time.Sleep(100 * ms)
	}
}

// A live run is read while it works: no counter goes back, every datagram has one
// fate on either side, and once the sender is done its signals go stale with the
// clock.
func TestALiveRunIsReadWhileItWorks(t *testing.T) {
	t.Parallel()
	r := startLive(t, "desk", 2500*ms)
	door, err := Serve(t.Context(), "0", r.Source())
	require.NoError(t, err)
	defer door.Close()
	url := "http://" + door.Address() + "/metrics"
	neverBack(t, url)
	found, err := testutil.GatherAndLint(NewRegistry(r.Source()))
	require.NoError(t, err)
	require.Empty(t, found)
	require.Eventually(t, func() bool { return r.Watch.Look().Ended }, 20*time.Second, 10*ms)
	time.Sleep(600 * ms) // most signals have passed their limits: those of half a second

	// Two bridges of one kind: the listener takes one for its own.
	first := time.Now()
	now := read(t, url)
	last := time.Now()
	written := sumOf(now, "stalegauge_datagrams_sent_total", `fate="written"`)
	require.Greater(t, written, 40.0)
	require.Equal(t, written, sumOf(now, "stalegauge_datagrams_received_total", "")+sumOf(now, "stalegauge_kernel_drops_total", ""))
	require.Equal(t, sumOf(now, "stalegauge_broadcasts_total", ""), sumOf(now, "stalegauge_broadcasts_heard_total", ""))
	require.Equal(t, written, sumOf(now, "stalegauge_broadcasts_heard_total", "")+sumOf(now, "stalegauge_datagrams_received_total", `fate="foreign_set"`))
	require.Equal(t, written, sumOf(now, "stalegauge_send_lateness_seconds_count", ""))
	require.Equal(t, sumOf(now, "stalegauge_bus_frames_total", ""), sumOf(now, "stalegauge_frames_total", ""))
	require.Positive(t, sumOf(now, "stalegauge_air_others_seconds_total", ""))
	require.Positive(t, sumOf(now, "stalegauge_bus_busy_seconds_total", ""))

	// Nothing comes any more: between two looks a dead signal is observed and stale
	// for as long as the clock says, with no datagram to say so.
	time.Sleep(200 * ms)
	least := time.Since(last).Seconds()
	again := read(t, url)
	most := time.Since(first).Seconds()
	signals, dead := 0, 0
	for key, limit := range now {
		labels, is := strings.CutPrefix(key, limitSeconds.name)
		if !is {
			continue
		}
		signals++
		observed := again[observedSeconds.name+labels] - now[observedSeconds.name+labels]
		require.GreaterOrEqual(t, observed, least, labels)
		require.LessOrEqual(t, observed, most, labels)
		require.Equal(t, now[lastUpdate.name+labels], again[lastUpdate.name+labels])
		if limit <= 0.5 {
			dead++
			require.InDelta(t, observed, again[staleSeconds.name+labels]-now[staleSeconds.name+labels], 1e-9, labels)
		}
	}
	require.Equal(t, 13, signals, "those with a limit of age")
	require.Equal(t, 7, dead)
}

// The tool of the metrics server finds nothing wrong with a live run either.
func TestALiveRunPassesTheTool(t *testing.T) {
	t.Parallel()
	promtool := tool(t, "promtool")
	r := startLive(t, `a "desk"`, 10*time.Second)
	door, err := Serve(t.Context(), "0", r.Source())
	require.NoError(t, err)
	defer door.Close()
	time.Sleep(300 * ms)
	_, text := get(t, "http://"+door.Address()+"/metrics")
	require.Contains(t, text, "stalegauge_sender_clock_shared{design=\"a \\\"desk\\\"\"} 1\n")
	c := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	c.Stdin = bytes.NewReader([]byte(text))
	out, err := c.CombinedOutput()
	require.NoError(t, err, string(out))
	require.Empty(t, string(out))
}

// Every family of the wall clock is told by a live run, and each once.
func TestALiveRunTellsEveryFamily(t *testing.T) {
	t.Parallel()
	r := startLive(t, "desk", 10*time.Second)
	require.Eventually(t, func() bool { return r.Listener.View().Began }, 5*time.Second, 10*ms)
	seen := map[*family]bool{}
	points := map[string]bool{}
	walk(r.Source()()[0], func(f *family, _ time.Duration, _ point, labels ...string) {
		key := f.name + strings.Join(labels, "|")
		require.False(t, points[key], key)
		points[key], seen[f] = true, true
	})
	search := []*family{searchFrames, searchBudget, searchTried, searchSpace}
	for _, f := range families {
		if !slices.Contains(search, f) && f != replicationsDone && f != replicationsAtMost && f != simulated && f != airLimit {
			require.True(t, seen[f], f.name)
		}
	}
}
