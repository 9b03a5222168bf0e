package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"
)

// quick is a command line that answers at once.
var quick = []string{"run", "orchard", "--duration", "2s", "--replications", "2"}

// A reader that has seen enough is no failure: the verdict stands, in silence.
func TestBrokenPipeIsQuiet(t *testing.T) {
	var whole, errw bytes.Buffer
	want := run(t.Context(), quick, strings.NewReader(""), &whole, io.Discard)
	got := run(t.Context(), quick, strings.NewReader(""), failing{syscall.EPIPE}, &errw)
	require.Equal(t, want, got)
	require.Empty(t, errw.String())
	require.NotEmpty(t, whole.String())
}

func TestOtherWriteErrorsFail(t *testing.T) {
	for _, args := range [][]string{quick, {"scenarios", "list"}, {"scenarios", "show", "orchard"}} {
		var errw bytes.Buffer
		require.Equal(t, statusWrong, run(t.Context(), args, nil, failing{syscall.ENOSPC}, &errw))
		require.Equal(t, "stalegauge: "+syscall.ENOSPC.Error()+"\n", errw.String())
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

func TestInterruptWritesNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	folder := t.TempDir()
	file := filepath.Join(folder, "answer.json")
	require.NoError(t, os.WriteFile(file, []byte("old"), 0o600))
	var out, errw bytes.Buffer
	for _, args := range [][]string{quick, append(quick, "--out", file, "--format", "json")} {
		errw.Reset()
		require.Equal(t, statusWrong, run(ctx, args, nil, &out, &errw))
		require.Empty(t, out.String())
		require.Equal(t, "stalegauge: stopped before the end; no result was written\n", errw.String())
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "old", string(text))
	requireOnly(t, folder, "answer.json")
}

// A comparison that is interrupted tells what is known: what as many replications
// tell.
func TestInterruptOfAComparisonWritesWhatIsKnown(t *testing.T) {
	compare := func(ctx context.Context, errw io.Writer, more ...string) (int, string) {
		var out bytes.Buffer
		args := append([]string{"compare", "orchard", "--design", "now", "--duration", "1s"}, more...)
		return run(ctx, args, nil, &out, errw), out.String()
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	var errw bytes.Buffer
	status, got := compare(ctx, &errw, "--replications", "100000")
	if got == "" {
		require.Equal(t, "stalegauge: "+context.DeadlineExceeded.Error()+"\n", errw.String(), "too slow a machine for two replications")
		return
	}
	require.Equal(t, statusWrong, status)
	said := regexp.MustCompile(`the result tells of the (\d+) replications`).FindStringSubmatch(errw.String())
	require.Len(t, said, 2, errw.String())
	status, want := compare(t.Context(), io.Discard, "--replications", said[1])
	require.Equal(t, statusMet, status)
	require.Equal(t, want, got)
}

// requireOnly checks that a folder holds these files and no left-overs.
func requireOnly(t *testing.T, folder string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	require.Equal(t, names, got)
}

func TestOutputReplacesWholeFiles(t *testing.T) {
	folder := t.TempDir()
	file, link := filepath.Join(folder, "real"), filepath.Join(folder, "link")
	require.NoError(t, os.WriteFile(file, []byte("old"), 0o640))
	require.NoError(t, os.Symlink("real", link))
	o, err := openOutput(nil, link)
	require.NoError(t, err)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "old", string(text), "nothing changes before the end")
	require.NoError(t, o.write([]byte("new")))
	o.discard()
	text, err = os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "new", string(text))
	info, err := os.Lstat(link)
	require.NoError(t, err)
	require.NotZero(t, info.Mode()&os.ModeSymlink, "the link stays a link")
	info, err = os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o640), info.Mode().Perm(), "the mode is kept")
	requireOnly(t, folder, "link", "real")
}

func TestOutputDiscardedLeavesNothing(t *testing.T) {
	folder := t.TempDir()
	o, err := openOutput(nil, filepath.Join(folder, "file"))
	require.NoError(t, err)
	o.discard()
	requireOnly(t, folder)
	_, err = openOutput(nil, folder)
	require.ErrorContains(t, err, "it is a folder")
}

// A device is written to; it must never be replaced by a file.
func TestOutputToADevice(t *testing.T) {
	o, err := openOutput(nil, os.DevNull)
	require.NoError(t, err)
	require.NoError(t, o.write([]byte("gone")))
	o.discard()
	info, err := os.Stat(os.DevNull)
	require.NoError(t, err)
	require.NotZero(t, info.Mode()&os.ModeDevice)
}

func TestEveryCommandHasHelpWithExamples(t *testing.T) {
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		require.NotEmpty(t, c.Short, c.CommandPath())
		require.NotEmpty(t, c.Long, c.CommandPath())
		require.Contains(t, c.Example, c.CommandPath()+"", c.CommandPath())
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	check((&program{}).root())
}
