package metrics

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	client := &http.Client{Timeout: 10 * time.Second}
	answer, err := client.Get(url)
	require.NoError(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 8<<20))
	require.NoError(t, err)
	return answer.StatusCode, string(text)
}

// A port alone is the loopback: nobody outside reads the figures unless asked to.
func TestServeIsForThisMachineOnly(t *testing.T) {
	p := newProbe()
	p.now = time.Second
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	s, err := Serve(ctx, "0", p.source)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(s.Address(), "127.0.0.1:"), s.Address())
	require.True(t, IsLoopback(s.Address()))
	status, text := get(t, "http://"+s.Address()+"/metrics")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, text, `stalegauge_signal_stale_seconds_total{design="bench \"1\"",receiver="pillar",signal="speed"} 0.59`)
	require.Contains(t, text, "\ngo_goroutines ")
	status, text = get(t, "http://"+s.Address()+"/healthz")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "ok\n", text)
	status, _ = get(t, "http://"+s.Address()+"/else")
	require.Equal(t, http.StatusNotFound, status)

	_, err = Serve(ctx, s.Address(), p.source)
	require.ErrorContains(t, err, "address already in use")
	cancel()
	require.NoError(t, s.Close())
	_, err = http.Get("http://" + s.Address() + "/healthz")
	require.Error(t, err, "it has ended with its context")
}

func TestAddresses(t *testing.T) {
	for text, want := range map[string]string{
		"9464": "127.0.0.1:9464", ":9464": "127.0.0.1:9464", "0.0.0.0:80": "0.0.0.0:80", "[::1]:0": "[::1]:0", "localhost:1": "localhost:1",
	} {
		got, err := Address(text)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for _, bad := range []string{"", "x", "1:2:3", "127.0.0.1", "host:http", ":70000", ":-1"} {
		_, err := Address(bad)
		require.ErrorContains(t, err, "expected an address such as 127.0.0.1:9464", bad)
	}
	require.False(t, IsLoopback("0.0.0.0:80"))
	require.False(t, IsLoopback("192.0.2.1:80"))
	require.True(t, IsLoopback("[::1]:80"))
}
