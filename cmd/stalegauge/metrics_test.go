package main

import (
	"context"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// watched is a writer that another goroutine may read.
type watched struct {
	lock sync.Mutex
	text []byte
}

func (w *watched) Write(p []byte) (int, error) {
	w.lock.Lock()
	defer w.lock.Unlock()
	w.text = append(w.text, p...)
	return len(p), nil
}

func (w *watched) find(pattern *regexp.Regexp) []string {
	w.lock.Lock()
	defer w.lock.Unlock()
	return pattern.FindStringSubmatch(string(w.text))
}

// A run serves how far it is and the ages so far, and closes the door at its end.
func TestRunServesMetricsWhileItWorks(t *testing.T) {
	servesMetrics(t, "run", "orchard")
}

// A comparison does the same for all its designs.
func TestCompareServesMetricsWhileItWorks(t *testing.T) {
	servesMetrics(t, "compare", "orchard", "--design", "each:bridge.policy=each", "--design", "now")
}

// A search serves how far it is, and the ages of the best design so far.
func TestSizeServesMetricsWhileItWorks(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	errw, ended := starts(ctx, "size", "orchard", "--budget", "100h")
	read := reads(t, errw)
	require.Eventually(t, func() bool { return read("stalegauge_signal_observed_seconds_total") > 20 }, 30*time.Second, 50*time.Millisecond)
	require.Positive(t, read("stalegauge_search_designs_space"))
	require.Positive(t, read("stalegauge_search_designs_tried"))
	before := read("stalegauge_search_bus_frames_total")
	require.Eventually(t, func() bool { return read("stalegauge_search_bus_frames_total") > before }, 20*time.Second, 10*time.Millisecond)
	cancel()
	require.Equal(t, statusWrong, <-ended)
}

// starts starts a command that serves metrics at a free port.
func starts(ctx context.Context, args ...string) (*watched, <-chan int) {
	var errw watched
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, append(args, "--metrics", "0"), nil, io.Discard, &errw) }()
	return &errw, ended
}

// reads finds the door and returns what reads the first figure of a name, -1 where
// there is none.
func reads(t *testing.T, errw *watched) func(name string) float64 {
	t.Helper()
	var address []string
	require.Eventually(t, func() bool {
		address = errw.find(regexp.MustCompile(`metrics at (http://127\.0\.0\.1:\d+/metrics)\n`))
		return address != nil
	}, 20*time.Second, 5*time.Millisecond)
	return func(name string) float64 {
		found := regexp.MustCompile(`(?m)^` + name + `\{[^}]*\} (\S+)$`).FindStringSubmatch(fetch(t, address[1]))
		if found == nil {
			return -1
		}
		v, err := strconv.ParseFloat(found[1], 64)
		require.NoError(t, err)
		return v
	}
}

func servesMetrics(t *testing.T, args ...string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	errw, ended := starts(ctx, append(args, "--duration", "10s", "--replications", "100000")...)
	figure := reads(t, errw)
	require.Eventually(t, func() bool { return figure("stalegauge_signal_observed_seconds_total") > 20 }, 20*time.Second, 10*time.Millisecond)
	require.Equal(t, 100000.0, figure("stalegauge_replications_at_most"))
	require.Positive(t, figure("stalegauge_bus_frames_total"))
	before := figure("stalegauge_simulated_seconds_total")
	require.Eventually(t, func() bool { return figure("stalegauge_simulated_seconds_total") > before }, 20*time.Second, 10*time.Millisecond)
	cancel()
	require.Equal(t, statusWrong, <-ended)
	_, err := http.Get(errw.find(regexp.MustCompile(`(http://127\.0\.0\.1:\d+/metrics)\n`))[1])
	require.Error(t, err, "the door is closed")
}

func fetch(t *testing.T, url string) string {
	t.Helper()
	client := http.Client{Timeout: 10 * time.Second}
	answer, err := client.Get(url)
	require.NoError(t, err)
	defer answer.Body.Close()
	require.Equal(t, http.StatusOK, answer.StatusCode)
	text, err := io.ReadAll(io.LimitReader(answer.Body, 8<<20))
	require.NoError(t, err)
	return string(text)
}

// The metrics library stays behind one wall.
func TestOneRoomKnowsTheMetricsLibrary(t *testing.T) {
	users := map[string]bool{}
	for _, s := range allSources(t) {
		for _, i := range s.file.Imports {
			if strings.HasPrefix(i.Path.Value, `"github.com/prometheus/`) {
				users[s.folder()] = true
			}
		}
	}
	require.Equal(t, map[string]bool{"reports/metrics": true}, users)
}
