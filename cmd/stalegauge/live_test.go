package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// overheard is a buffer that several goroutines may use.
type overheard struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *overheard) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *overheard) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

// facts reads a report of figures: by part, of, signal and quantity.
func facts(t *testing.T, text string) map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	all := map[string]string{}
	for _, r := range rows[1:] {
		all[strings.Join(r[:4], "|")] = r[4] + r[5]
	}
	return all
}

// A sender and a listener as two programs: every datagram that left came, and both
// say so, whatever the host was late.
func TestLoadAndListen(t *testing.T) {
	log := filepath.Join(t.TempDir(), "drive.log")
	var heard, said overheard
	ctx, stop := context.WithCancel(context.Background())
	status := make(chan int, 1)
	go func() {
		status <- run(ctx, []string{"listen", "--on", "127.0.0.1:0", "--scenario", "forward-everything", "--format", "csv", "--log", log}, nil, &heard, &said)
	}()
	var at []string
	require.Eventually(t, func() bool {
		at = regexp.MustCompile(`listening on (\S+)\n`).FindStringSubmatch(said.String())
		return at != nil
	}, 10*time.Second, time.Millisecond)
	var sent, errw bytes.Buffer
	require.Zero(t, run(context.Background(), []string{"load", "forward-everything", "--to", at[1], "--speed", "max", "--for", "3s", "--max-rate", "20000/s", "--format", "csv"}, nil, &sent, &errw))
	require.Empty(t, errw.String())
	time.Sleep(50 * time.Millisecond)
	stop()
	<-status
	s, h := facts(t, sent.String()), facts(t, heard.String())
	n := s["sent|||datagrams"]
	require.NotEqual(t, "0", n)
	require.Equal(t, n, s["sent|"+at[1]+"||datagrams"])
	require.Equal(t, n, h["heard|||datagrams"])
	require.Equal(t, n, h["heard|||own_set"])
	require.Equal(t, n, h["heard|||sequence_heard"])
	require.Equal(t, "0", h["heard|||sequence_missing"])
	text, err := os.ReadFile(log)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	require.Equal(t, "t_us,seq,len,rssi_dbm,q_depth,q_drops,bridge_t_us", lines[0])
	require.Equal(t, n, strconv.Itoa(len(lines)-1))
}

// Without a target the program listens to itself; an interrupt ends it in order,
// with a report.
func TestLoadListensToItself(t *testing.T) {
	var out, errw bytes.Buffer
	ctx, stop := context.WithTimeout(context.Background(), 700*time.Millisecond)
	defer stop()
	status := run(ctx, []string{"load", "--for", "1h", "--format", "csv"}, nil, &out, &errw)
	require.Contains(t, []int{statusMet, statusOpen}, status, errw.String())
	f := facts(t, out.String())
	if strings.Contains(errw.String(), "another program listens") {
		require.NotEqual(t, "true", os.Getenv("CI"), "the default port is taken")
		t.Skip("the default port is taken")
	}
	require.Equal(t, f["sent|||datagrams"], f["heard|||own_set"])
	require.Equal(t, "0", f["heard|||sequence_missing"])
}

// A rate below what the bridges send holds them back further and further: that is
// told as the reason for which nothing is judged, and the host is not blamed.
func TestLoadThatIsHeldBack(t *testing.T) {
	var out, errw bytes.Buffer
	status := run(context.Background(), []string{"load", "--for", "300ms", "--max-rate", "5/s", "--format", "csv"}, nil, &out, &errw)
	require.Equal(t, statusOpen, status, errw.String())
	if strings.Contains(errw.String(), "another program listens") {
		require.NotEqual(t, "true", os.Getenv("CI"), "the default port is taken")
		t.Skip("the default port is taken")
	}
	f := facts(t, out.String())
	require.Equal(t, "fit", f["heard|||host"])
	require.Contains(t, f["heard|||note"], "--max-rate raises it")
}
