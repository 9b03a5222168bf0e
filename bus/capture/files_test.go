package capture

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// files writes texts to files a.log, b.log, ... of a new working directory.
func files(t *testing.T, texts ...string) (names []string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for i, text := range texts {
		name := string(rune('a'+i)) + ".log"
		require.NoError(t, os.WriteFile(name, []byte(text), 0o600))
		names = append(names, name)
	}
	return names
}

// readFiles reads files as one capture, twice with the same result.
func readFiles(t *testing.T, names []string, o Options) ([]string, Report) {
	t.Helper()
	f, err := NewFiles(names, nil, o)
	require.NoError(t, err)
	var first []string
	var report Report
	for i := range 2 {
		r, err := f.Open()
		require.NoError(t, err)
		frames := all(r)
		require.NoError(t, r.Err())
		require.NoError(t, r.Close())
		balance(t, r.Report())
		if i == 1 {
			require.Equal(t, first, frames)
			require.Equal(t, report, r.Report())
		}
		first, report = frames, r.Report()
	}
	s, err := f.Scan()
	require.NoError(t, err)
	require.Equal(t, report, s.Report)
	return first, report
}

// since writes a line with a time since the logger's start.
func since(at time.Duration, frame string) string {
	return strings.Replace(line(at, frame), "(15220285", "(00000000", 1)
}

func TestFilesInARow(t *testing.T) {
	second := time.Second
	for _, c := range []struct {
		name  string
		texts []string
		want  []string
		joins int64
	}{
		{"dates that go on", []string{line(0, "100#"), line(second, "101#"), line(2*second, "102#")},
			[]string{"0 100 [0] ", "1000000000 101 [0] ", "2000000000 102 [0] "}, 0},
		{"dates with a pause", []string{line(0, "100#"), line(time.Hour, "101#")},
			[]string{"0 100 [0] ", "1000000 101 [0]  after gap"}, 0},
		{"a little overlap", []string{line(0, "100#") + line(second, "101#"), line(second-20*ms, "102#") + line(second+ms, "103#")},
			[]string{"0 100 [0] ", "1000000000 101 [0] ", "1000000000 102 [0] ", "1001000000 103 [0] "}, 0},
		{"each from its start", []string{since(second, "100#") + since(2*second, "101#"), since(0, "102#") + since(ms, "103#")},
			[]string{"0 100 [0] ", "1000000000 101 [0] ", "1001000000 102 [0]  after gap", "1002000000 103 [0] "}, 1},
		{"a date behind none", []string{since(second, "100#"), line(0, "101#")},
			[]string{"0 100 [0] ", "1000000 101 [0]  after gap"}, 0},
		{"one without a date behind one with", []string{line(0, "100#"), since(0, "101#")},
			[]string{"0 100 [0] ", "1000000 101 [0]  after gap"}, 1},
	} {
		frames, report := readFiles(t, files(t, c.texts...), Options{})
		require.Equal(t, c.want, frames, c.name)
		require.Equal(t, c.joins, report.Joins, c.name)
		require.Equal(t, len(c.texts), report.Files)
	}
}

// Reports add up, and lines are named with their file.
func TestReportOfFiles(t *testing.T) {
	names := files(t, line(0, "100#")+"what\n", "time_s,id,data\n1522028513,101,AA\nwhat\n")
	_, report := readFiles(t, names, Options{})
	require.Equal(t, "a.log, b.log", report.Name)
	require.True(t, report.Unequal)
	require.EqualValues(t, 5, report.Lines)
	notes := strings.Join(report.Notes(), "\n")
	require.Contains(t, notes, "2 lines of 5 not understood\n  a.log, line 2: no time stamp in brackets at its beginning: \"what\"\n  b.log, line 3: fewer columns")
	require.Contains(t, notes, "b.log: time: column 1, in s, stated by the header")
}

// Every counter of a report adds up over files: none may be forgotten.
func TestAllCountersAddUp(t *testing.T) {
	var r Report
	counted := map[*int64]bool{}
	for _, c := range r.counters() {
		require.False(t, counted[c], "counted twice")
		counted[c] = true
	}
	timeLine := []string{"FirstStamp", "LastStamp", "Gaps", "Joins"}
	v := reflect.ValueOf(&r).Elem()
	for i := range v.NumField() {
		if c, ok := v.Field(i).Addr().Interface().(*int64); ok && !counted[c] {
			require.Contains(t, timeLine, v.Type().Field(i).Name)
		}
	}
}

func TestFilesSideBySide(t *testing.T) {
	o := Options{Arrangement: SideBySide}
	names := files(t, line(0, "100#")+line(20*ms, "101#"), line(10*ms, "200#")+line(20*ms, "201#")+line(30*ms, "202#"))
	frames, report := readFiles(t, names, o)
	require.Equal(t, []string{"0 100 [0] ", "10000000 200 [0] ", "20000000 101 [0] ", "20000000 201 [0] ", "30000000 202 [0] "}, frames)
	require.Equal(t, []Channel{{"a.log can0", 2}, {"b.log can0", 3}}, report.Channels)
	require.EqualValues(t, 5, report.Frames)

	names = files(t, since(0, "100#"), since(10*ms, "200#"))
	frames, _ = readFiles(t, names, o)
	require.Equal(t, []string{"0 100 [0] ", "10000000 200 [0] "}, frames)

	names = files(t, line(0, "100#"), since(10*ms, "200#"))
	f, err := NewFiles(names, nil, o)
	require.NoError(t, err)
	_, err = f.Open()
	require.EqualError(t, err, "a.log, b.log: some files have the time of day and date, others the time since some start: they cannot lie side by side")
}

func TestChannelOfFiles(t *testing.T) {
	other := strings.Replace(line(10*ms, "200#"), "can0", "can1", 1)
	for _, arrangement := range []Arrangement{InARow, SideBySide} {
		names := files(t, line(0, "100#"), other+line(20*ms, "201#"))
		frames, report := readFiles(t, names, Options{Channel: "can1", Arrangement: arrangement})
		require.Equal(t, []string{"0 200 [0] "}, frames)
		require.EqualValues(t, 2, report.OtherChannel)
		f, err := NewFiles(names, nil, Options{Channel: "can7", Arrangement: arrangement})
		require.NoError(t, err)
		_, err = f.Scan()
		require.ErrorContains(t, err, `a.log, b.log: no frame of channel "can7"`)
	}
}

// A channel of one of several files goes by the name that the report has for it.
func TestChannelOfOneFile(t *testing.T) {
	names := files(t, line(0, "100#"), line(10*ms, "200#"))
	frames, report := readFiles(t, names, Options{Channel: "b.log can0", Arrangement: SideBySide})
	require.Equal(t, []string{"0 200 [0] "}, frames)
	require.Contains(t, report.Notes(), `1 frame of other channels left out: "a.log can0" (1), "b.log can0" (1)`)
	frames, _ = readFiles(t, names, Options{Channel: "b.log", Arrangement: SideBySide})
	require.Len(t, frames, 1)
}

func TestMistakesOfFiles(t *testing.T) {
	names := files(t, line(time.Second, "100#"), line(0, "101#"), "no capture\n")
	scan := func(names ...string) error {
		f, err := NewFiles(names, strings.NewReader(line(0, "123#")), Options{})
		if err != nil {
			return err
		}
		_, err = f.Scan()
		require.NoError(t, f.Close())
		return err
	}
	require.EqualError(t, scan(names[:2]...), "b.log begins 1s before the file named ahead of it ends: name the files in order of time, or lay them side by side")
	require.ErrorContains(t, scan(names[0], "c.log"), "c.log is no capture")
	require.ErrorIs(t, scan("a.log", "missing.log"), os.ErrNotExist)
	require.EqualError(t, scan(), "a capture without a file")
	require.ErrorContains(t, scan(make([]string, 65)...), "65 files, a capture has at most 64")
	require.ErrorContains(t, scan("-", "-"), "standard input can be read once only")
	require.NoError(t, scan("-", "a.log"))
	left, err := filepath.Glob(filepath.Join(os.TempDir(), "stalegauge-capture-*"))
	require.NoError(t, err)
	require.Empty(t, left)
}
