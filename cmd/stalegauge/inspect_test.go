package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/scenarios"
)

// demoCapture writes the traffic of a built-in scenario as a text log.
func demoCapture(t *testing.T, name string, span time.Duration) string {
	t.Helper()
	plan, err := scenarios.Open(name, nil)
	require.NoError(t, err)
	source, err := plan.Bus.Source(scenarios.Streams{Seed: 3}, nil, nil)
	require.NoError(t, err)
	var log bytes.Buffer
	var f bus.Frame
	for source.Next(&f) && f.At < span {
		fmt.Fprintf(&log, "(%d.%06d) can0 %s#%X\n", 1_700_000_000+f.At/time.Second, f.At%time.Second/time.Microsecond, f.ID, f.Payload())
	}
	require.NoError(t, plan.Close())
	path := filepath.Join(t.TempDir(), name+".log")
	require.NoError(t, os.WriteFile(path, log.Bytes(), 0o600))
	return path
}

func command(t *testing.T, args ...string) (status int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(context.Background(), args, strings.NewReader(""), &o, &e)
	return status, o.String(), e.String()
}

// What is drafted from a capture of any built-in scenario runs as it is, with the
// capture as traffic and with a fitted set, status 0 or 1.
func TestDraftsOfDemoCapturesRun(t *testing.T) {
	span := 6 * time.Second
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		span = 5 * time.Minute
	}
	for _, info := range scenarios.Builtins() {
		path := demoCapture(t, info.Name, span)
		for _, fit := range []string{"--fit=false", "--fit=true"} {
			t.Run(info.Name+fit, func(t *testing.T) {
				draft := filepath.Join(filepath.Dir(path), fit+".yaml")
				status, _, errs := command(t, "inspect", path, "--draft", draft, fit)
				require.Zero(t, status, errs)
				status, out, errs := command(t, "run", draft, "--replications", "2", "--duration", "2s")
				require.Contains(t, []int{statusMet, statusOpen}, status, errs)
				require.Contains(t, out, "display: age at the glass")
				require.NotContains(t, out, "can never show")
			})
		}
	}
}

// No line of any report is wider than the page, and the other formats can be read.
func TestInspectFormats(t *testing.T) {
	database := filepath.Join("..", "..", "bus", "signal", "testdata", "tractor.dbc")
	for name, args := range map[string][]string{
		"scenario": {"orchard", "--for", "10s"}, "capture": {demoCapture(t, "storm", 40*time.Second)},
		"named": {demoCapture(t, "orchard", 5*time.Second), "--database", database}, "database": {"--database", database},
	} {
		t.Run(name, func(t *testing.T) {
			args = append([]string{"inspect"}, args...)
			status, text, errs := command(t, args...)
			require.Zero(t, status, errs)
			for i, line := range strings.Split(text, "\n") {
				require.LessOrEqual(t, len([]rune(line)), 80, line)
				require.NotContains(t, line, "~", "line %d is cut", i+1)
			}
			_, text, _ = command(t, append(args, "--format", "json")...)
			var document struct {
				BitRate struct {
					Value int `json:"bit_per_s"`
				}
				IDs      []struct{ Signals []struct{} } `json:"identifiers"`
				Messages []struct{}
			}
			require.NoError(t, json.Unmarshal([]byte(text), &document))
			require.Equal(t, 500_000, document.BitRate.Value)
			require.Equal(t, name == "database", len(document.IDs) == 0)
			_, text, _ = command(t, append(args, "--format", "csv")...)
			rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
			require.NoError(t, err)
			n := len(document.IDs) + len(document.Messages)
			require.Greater(t, len(rows), n)
		})
	}
}

// What is odd is counted in what the file consists of. Two records of a pcap file of
// link type 227, as its definition has them; the second one is too short.
func TestInspectCountsPackets(t *testing.T) {
	const text = "\xd4\xc3\xb2\xa1\x02\x00\x04\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x04\x00\xe3\x00\x00\x00" +
		"\x01\x00\x00\x00\x00\x00\x00\x00\x10\x00\x00\x00\x10\x00\x00\x00" + "\x00\x00\x02\x54\x08\x00\x00\x00\x91\x8f\xfe\x06\x03\xa6\x0f\xff" +
		"\x02\x00\x00\x00\x00\x00\x00\x00\x04\x00\x00\x00\x04\x00\x00\x00" + "\x00\x00\x02\x54"
	path := filepath.Join(t.TempDir(), "two.pcap")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	status, out, errs := command(t, "inspect", path)
	require.Equal(t, statusMet, status, errs)
	require.Contains(t, out, "watch    1 packet not understood")
}

// A file that ends in the middle of a packet is odd, though all before it is read.
func TestInspectTellsOfACutFile(t *testing.T) {
	t.Chdir(t.TempDir())
	status, _, errs := command(t, "inspect", "orchard", "--write", "whole.pcapng", "--for", "1s")
	require.Equal(t, statusMet, status, errs)
	whole, err := os.ReadFile("whole.pcapng")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile("cut.pcapng", whole[:len(whole)-7], 0o600))
	_, out, _ := command(t, "inspect", "whole.pcapng")
	require.Contains(t, out, "watch    nothing odd")
	_, out, _ = command(t, "inspect", "cut.pcapng")
	require.Contains(t, out, "watch    1 file cut off at the end")
}
