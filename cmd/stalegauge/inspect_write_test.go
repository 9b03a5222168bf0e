package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/capture"
)

// drive is a capture, as a logger writes it.
const drive = "(1700000000.000000) can0 120#0011\n(1700000000.500000) can0 120#0022\n(1700000009.000000) can1 7DF#R8\n"

// inspect runs the command in a new folder that holds some files.
func inspect(t *testing.T, in string, files map[string]string, args ...string) (status int, errw string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for name, text := range files {
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	var out, err bytes.Buffer
	status = run(t.Context(), append([]string{"inspect"}, args...), strings.NewReader(in), &out, &err)
	require.Empty(t, out.String())
	return status, err.String()
}

// The traffic of a scenario, written and read again, gives the same verdicts.
func TestInspectWritesScenario(t *testing.T) {
	status, errw := inspect(t, "", nil, "orchard", "--write", "orchard.pcapng", "--for", "20s")
	require.Equal(t, statusMet, status, errw)
	require.Regexp(t, `^stalegauge: 38\d\d\d frames in 19\.9+\d*s written to orchard\.pcapng\n$`, errw)
	s, err := capture.Scan("orchard.pcapng", capture.Options{})
	require.NoError(t, err)
	require.Len(t, s.IDs, 96)
	require.Empty(t, s.Report.Notes())
	require.False(t, s.Report.Epoch)

	var out bytes.Buffer
	args := []string{"run", "orchard", "--set", "bus.capture=orchard.pcapng", "--replications", "2"}
	require.NotEqual(t, statusWrong, run(t.Context(), args, nil, &out, io.Discard))
	require.Regexp(t, `limits   \d+ met, 0 missed`, out.String())
	for _, name := range []string{"river-ferry", "kart-grid"} {
		require.Equal(t, statusMet, run(t.Context(), []string{"inspect", name, "--write", "x.pcapng", "--for", "2s"}, nil, io.Discard, io.Discard))
	}
}

// A capture keeps its stamps and its silences.
func TestInspectWritesCapture(t *testing.T) {
	status, errw := inspect(t, "", map[string]string{"drive.log": drive}, "drive.log", "--write", "drive.pcapng")
	require.Equal(t, statusMet, status, errw)
	require.Equal(t, `stalegauge: 1 silence, the longest 8.5s: taken as a quiet bus
stalegauge: channels read as if they were one bus: "can0" (2), "can1" (1)
stalegauge: remote frames without the length that they ask for, for which pcapng has no place: 1
stalegauge: 3 frames in 9s written to drive.pcapng
`, errw)
	s, err := capture.Scan("drive.pcapng", capture.Options{GapRule: capture.Silence})
	require.NoError(t, err)
	require.EqualValues(t, 1700000000_000000000, s.Report.FirstStamp)
	require.EqualValues(t, 1700000009_000000000, s.Report.LastStamp)
	require.EqualValues(t, 1, s.Report.Remote)

	for _, args := range [][]string{
		{"drive.log", "--for", "1s"},
		{"drive.log", "--set", "bus.capture.channel=can1"},
		{"drive.log", "--set", `bus.capture.line_template=(?P<t>[0-9.]+)\) (?P<ch>can0) (?P<id>\w+)#(?P<data>\w+)`},
		{"table.csv", "--set", "bus.capture.columns={t: when, id: who, data: what}"},
	} {
		status, errw := inspect(t, "", map[string]string{"drive.log": drive, "table.csv": "what,who,when\nAA,120,0.5\n"}, append(args, "--write", "x.pcapng")...)
		require.Equal(t, statusMet, status, "%v: %s", args, errw)
	}
}

// Whatever is no capture: a helpful error, status 2, and no file.
func TestInspectMistakes(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, _ = z.Write([]byte("no capture\n"))
	require.NoError(t, z.Close())
	ethernet, err := hex.DecodeString("d4c3b2a10200040000000000000000000000040001000000" + "e04fb85a5b9003000100000001000000" + "ff")
	require.NoError(t, err)
	files := map[string]string{
		"empty.log": "", "photo.jpg": "\xff\xd8\xff\xe0\x00\x10JFIF\x00", "ethernet.pcap": string(ethernet), "packed.gz": packed.String(),
		"bus.dbc": "VERSION \"\"\nBO_ 1 A: 1 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\n", "bad.log": strings.Repeat("(1.0) can0 12#0\n", 9),
		"drive.log": drive, "wrong.yaml": "bus: {bitrat: 1}\n", "notes.csv": "when,who\nnoon,me\n",
	}
	for args, says := range map[string]string{
		"empty.log":                            `"empty.log": is empty`,
		".":                                    `".": is a directory`,
		"missing.log":                          "no such file or directory",
		"photo.jpg":                            "it is a photo (JPEG)",
		"ethernet.pcap":                        "its packets are of link type 1 (Ethernet), not of link type 227",
		"packed.gz":                            "no line is a frame",
		"bus.dbc":                              "it is a signal database; bus.database takes one",
		"bad.log":                              "line 1: an identifier has 3 hex digits (11 bit) or 8 (29 bit): \"(1.0) can0 12#0\"",
		"notes.csv":                            "expected a SocketCAN text log, one frame a line",
		"wrong.yaml":                           "wrong.yaml:1:7: bus.bitrat: found an unknown key",
		"orchrad.yaml":                         "orchrad.yaml: no such file and no built-in scenario",
		"drive.log --for 5":                    `--for: found "5", expected a time with its unit`,
		"drive.log again.log":                  `one capture or scenario at a time: found "again.log" after "drive.log"`,
		"drive.log --set bus.x=1":              "bus.x: found an unknown key",
		"drive.log --set nothing":              "expected KEY=VALUE",
		"drive.log --write no/x":               "--write: cannot write no/x: no such file or directory",
		"drive.log --writ x":                   "unknown flag --writ: did you mean --write?",
		"orchard --set bus.database=drive.log": "it is a capture; bus.capture takes one",
		"drive.log --set bus.capture.line_template=(?P<t>x)": "no group (?P<id>...); no group (?P<data>...)",
	} {
		status, errw := inspect(t, "", files, append([]string{"--write", "out.pcapng"}, strings.Fields(args)...)...)
		require.Equal(t, statusWrong, status, args)
		require.Contains(t, errw, says, args)
		require.NoFileExists(t, "out.pcapng", args)
		left, err := filepath.Glob(".out.pcapng*")
		require.NoError(t, err)
		require.Empty(t, left)
	}
	// A run says the same of a capture or signal database that is none.
	for set, says := range map[string]string{
		"bus.capture=empty.log":     `"empty.log": is empty`,
		"bus.capture=.":             `".": is a directory`,
		"bus.capture=photo.jpg":     "it is a photo (JPEG)",
		"bus.capture=ethernet.pcap": "link type 1 (Ethernet)",
		"bus.capture=bus.dbc":       "it is a signal database",
		"bus.capture=bad.log":       "an identifier has 3 hex digits",
		"bus.database=drive.log":    "it is a capture",
		"bus.database=photo.jpg":    "it is a photo (JPEG)",
		"bus.database=empty.log":    "it is empty",
		"bus.database=.":            "is a directory",
	} {
		var out, errw bytes.Buffer
		require.Equal(t, statusWrong, run(t.Context(), []string{"run", "--set", set}, nil, &out, &errw), set)
		require.Contains(t, errw.String(), says, set)
		require.Empty(t, out.String())
	}
	status, errw := inspect(t, "", files)
	require.Equal(t, statusWrong, status)
	require.Contains(t, errw, "inspect what? Give a capture, a scenario or --database FILE")
}

// A run that is stopped leaves what was there.
func TestInspectStopped(t *testing.T) {
	t.Chdir(t.TempDir())
	require.NoError(t, os.WriteFile("old.pcapng", []byte("old"), 0o644))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var errw bytes.Buffer
	require.Equal(t, statusWrong, run(ctx, []string{"inspect", "orchard", "--write", "old.pcapng"}, nil, io.Discard, &errw))
	require.Contains(t, errw.String(), "stopped before the end; no result was written")
	text, err := os.ReadFile("old.pcapng")
	require.NoError(t, err)
	require.Equal(t, "old", string(text))
	requireOnly(t, ".", "old.pcapng")
}

// A pipe that nobody writes to does not keep a stopped program alive.
func TestInspectStoppedAtAPipe(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var errw bytes.Buffer
	require.Equal(t, statusWrong, run(ctx, []string{"inspect", pipe}, nil, io.Discard, &errw))
	require.Contains(t, errw.String(), "stopped before the end; no result was written")
	release, err := os.OpenFile(pipe, os.O_RDWR, 0) // whoever still opens it comes on
	require.NoError(t, err)
	require.NoError(t, release.Close())
}
