package capture

import (
	"fmt"
	"strings"
	"time"
)

// Notes returns what a reader of the figures should know about the capture: one
// sentence for each counter that is not 0, and the layout of a CSV file.
func (r Report) Notes() []string {
	var notes []string
	say := func(n int64, format string, more ...any) {
		if n != 0 {
			notes = append(notes, fmt.Sprintf("%d ", n)+fmt.Sprintf(format, more...))
		}
	}
	notes = append(notes, r.Layout...)
	say(r.Unreadable, "of %d lines not understood", r.Lines)
	say(r.TooLong, "lines too long, skipped")
	for _, b := range r.Bad {
		notes = append(notes, "  "+b.String())
	}
	say(r.Padding, "NUL or Ctrl-Z bytes skipped")
	say(r.Twins, "transmit requests dropped, the frame itself kept")
	say(r.Sorted, "lines stepped back by at most %v and were sorted", Window)
	say(r.WindowFull, "frames could not wait for lines that step back: more than %d in %v", windowFrames, Window)
	say(r.Late, "frames dropped: their stamps step back by more than %v", Window)
	say(r.Damaged, "frames dropped: their stamps alone jump ahead")
	for _, b := range r.Dropped {
		notes = append(notes, "  "+b.String())
	}
	say(r.CutDigits, "stamps finer than a nanosecond, cut")
	say(r.Midnights, "times midnight passed under times of day")
	say(r.Remote, "remote frames")
	say(r.Errors, "error frames")
	say(r.Overruns, "of them say that the logger itself lost frames")
	say(r.FD, "frames in the flexible data rate format")
	say(r.RawDLC, "classic frames with a length code above 8")
	say(r.LengthCode, "rows whose length is a length code above 8")
	say(r.ExtraBytes, "rows with data behind the stated length, ignored")
	if r.Gaps > 0 {
		notes = append(notes, r.gaps())
	}
	return append(notes, r.channels()...)
}

// gaps describes the silences.
func (r Report) gaps() string {
	s := fmt.Sprintf("%d silences, the longest %v", r.Gaps, r.LongestGap.Round(time.Millisecond))
	if r.CutOut > 0 {
		return s + fmt.Sprintf(": %v cut out, values are unknown after each", r.CutOut.Round(time.Millisecond))
	}
	return s + ": taken as a quiet bus"
}

// channels describes the channels where there is more than one.
func (r Report) channels() []string {
	if len(r.Channels) < 2 && r.OtherChannel == 0 {
		return nil
	}
	var names []string
	for _, c := range r.Channels {
		names = append(names, fmt.Sprintf("%q (%d)", c.Name, c.Frames))
	}
	s := strings.Join(names, ", ")
	if r.OtherChannel > 0 {
		return []string{fmt.Sprintf("%d frames of other channels left out: %s", r.OtherChannel, s)}
	}
	return []string{"channels read as if they were one bus: " + s}
}

// names lists the channels that have frames.
func (t *tally) names() string {
	var names []string
	for _, c := range t.r.Channels {
		if c.Frames > 0 {
			names = append(names, fmt.Sprintf("%q", c.Name))
		}
	}
	return strings.Join(names, ", ")
}
