package main

import (
	"bytes"
	"context"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Both ends of a live run serve metrics while they work, each what it knows: the
// sender its frames and datagrams, the listener ages and what arrived.
func TestLoadAndListenServeMetrics(t *testing.T) {
	ctx, stop := context.WithTimeout(t.Context(), 30*time.Second)
	defer stop()
	var said, told watched
	ended := make(chan int, 2)
	find := func(w *watched, pattern string) (found string) {
		require.Eventually(t, func() bool {
			m := w.find(regexp.MustCompile(pattern))
			if m != nil {
				found = m[1]
			}
			return m != nil
		}, 10*time.Second, 5*time.Millisecond)
		return found
	}
	var report bytes.Buffer
	go func() {
		ended <- run(ctx, []string{"listen", "--on", "127.0.0.1:0", "--scenario", "orchard", "--metrics", "0", "--format", "csv"}, nil, &report, &said)
	}()
	to := find(&said, `listening on (\S+)\n`)
	listener := find(&said, `metrics at (http://127\.0\.0\.1:\d+/metrics)\n`)
	sending, interrupt := context.WithCancel(ctx)
	var out bytes.Buffer
	go func() {
		ended <- run(sending, []string{"load", "orchard", "--to", to, "--for", "1h", "--metrics", "0"}, nil, &out, &told)
	}()
	sender := find(&told, `metrics at (http://127\.0\.0\.1:\d+/metrics)\n`)
	figure := func(url, name string) float64 {
		m := regexp.MustCompile(`(?m)^stalegauge_` + name + ` (\S+)$`).FindStringSubmatch(fetch(t, url))
		if m == nil {
			return -1
		}
		v, err := strconv.ParseFloat(m[1], 64)
		require.NoError(t, err)
		return v
	}
	require.Eventually(t, func() bool { return figure(listener, `broadcasts_heard_total\{design="orchard"\}`) >= 10 }, 10*time.Second, 50*time.Millisecond)
	require.Positive(t, figure(sender, `bus_frames_total\{design="orchard"\}`))
	require.GreaterOrEqual(t, figure(sender, `datagrams_sent_total\{design="orchard",fate="written",target="`+to+`"\}`), 10.0)
	require.Equal(t, 2000.0*50, figure(sender, `datagrams_per_second_limit\{design="orchard"\}`))
	require.Equal(t, -1.0, figure(sender, `broadcasts_heard_total\{design="orchard"\}`), "this one does not listen")
	require.Equal(t, -1.0, figure(listener, `bus_frames_total\{design="orchard"\}`), "this one does not send")
	require.Eventually(t, func() bool {
		return figure(listener, `signal_observed_seconds_total\{design="orchard",receiver="\w+",signal="[^"]+"\}`) > 0
	}, 10*time.Second, 50*time.Millisecond)
	interrupt()
	<-ended
	sent := -1.0
	require.Eventually(t, func() bool { // a busy host may read late what was sent
		before := sent
		sent = figure(listener, `datagrams_received_total\{design="orchard",fate="own_set"\}`)
		return sent == before
	}, 10*time.Second, 300*time.Millisecond)
	stop()
	<-ended
	require.Equal(t, strconv.FormatFloat(sent, 'f', -1, 64), facts(t, report.String())["heard|||own_set"])
}

// A door that cannot be opened is told before anything is sent.
func TestLiveDoorsThatDoNotOpen(t *testing.T) {
	for _, command := range []string{"load", "listen"} {
		var out, errw bytes.Buffer
		require.Equal(t, statusWrong, run(t.Context(), []string{command, "--metrics", "nowhere:x"}, nil, &out, &errw))
		require.Contains(t, errw.String(), `--metrics: found "nowhere:x", expected an address such as 127.0.0.1:9464`)
		errw.Reset()
		flag := map[string][]string{"load": {"--to", "127.0.0.1:9"}, "listen": {"--on", "127.0.0.1:0"}}[command]
		require.Equal(t, statusWrong, run(t.Context(), append([]string{command, "--metrics", "192.0.2.1:9464"}, flag...), nil, &out, &errw))
		require.Contains(t, errw.String(), "--metrics: ")
		require.Empty(t, out.String())
	}
}
