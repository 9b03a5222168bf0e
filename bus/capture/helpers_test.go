package capture

import (
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// show prints a frame on one line, so that a test reads as text.
func show(f *bus.Frame) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d ", f.At)
	switch {
	case f.Kind == bus.Error:
		fmt.Fprintf(&b, "error %X ", f.ID.Number())
	case f.ID.IsExtended():
		fmt.Fprintf(&b, "%08X ", f.ID.Number())
	default:
		fmt.Fprintf(&b, "%03X ", f.ID.Number())
	}
	if f.Kind == bus.Remote {
		fmt.Fprintf(&b, "remote %d", f.Length)
	} else {
		fmt.Fprintf(&b, "[%d] %X", f.Length, f.Payload())
		if f.Kind == bus.Error {
			fmt.Fprintf(&b, "%X", f.Data[:f.Length])
		}
	}
	for _, flag := range []struct {
		on   bool
		name string
	}{{f.Flags&bus.FD != 0, " fd"}, {f.Flags&bus.BitRateFast != 0, " fast"},
		{f.Flags&bus.ErrorPassive != 0, " passive"}, {f.AfterGap, " after gap"}} {
		if flag.on {
			b.WriteString(flag.name)
		}
	}
	return b.String()
}

// all reads a source to its end.
func all(s bus.Source) []string {
	var out []string
	var f bus.Frame
	for s.Next(&f) {
		out = append(out, show(&f))
	}
	return out
}

// read reads a text to its end and checks that every line is accounted for.
func read(t *testing.T, text string, o Options) ([]string, Report) {
	t.Helper()
	r, err := NewReader("test", strings.NewReader(text), o)
	require.NoError(t, err)
	frames := all(r)
	require.NoError(t, r.Err())
	balance(t, r.Report())
	return frames, r.Report()
}

// balance checks the two sums that hold at the end of every file.
func balance(t testing.TB, r Report) {
	t.Helper()
	require.Equal(t, r.Lines, r.Blank+r.Comments+r.Header+r.Unreadable+r.TooLong+r.OtherLink+r.Read, "lines: %+v", r)
	require.Equal(t, r.Read, r.OtherChannel+r.Twins+r.Damaged+r.Late+r.Frames, "frames: %+v", r)
}

// line writes a line of a text log at an offset in ns from a fixed second.
func line(at time.Duration, frame string) string {
	return fmt.Sprintf("(%d.%09d) can0 %s\n", 1522028512+at/time.Second, at%time.Second, frame)
}

// writeCSV writes frames as CSV with nanoseconds, the form in which a test
// hands reception times to a replay.
func writeCSV(w io.Writer, s bus.Source) error {
	if _, err := io.WriteString(w, "time_ns,id_hex,ext,fd,dlc,data_hex\n"); err != nil {
		return err
	}
	var f bus.Frame
	for s.Next(&f) {
		ext, fd := 0, 0
		if f.ID.IsExtended() {
			ext = 1
		}
		if f.Flags != 0 {
			fd = 1
		}
		if _, err := fmt.Fprintf(w, "%d,%X,%d,%d,%d,%X\n", f.At, f.ID.Number(), ext, fd, f.Length, f.Payload()); err != nil {
			return err
		}
	}
	return nil
}
