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
	say := func(n int64, what, more string, args ...any) {
		if n != 0 {
			notes = append(notes, strings.TrimSpace(count(n, what)+" "+fmt.Sprintf(more, args...)))
		}
	}
	unit := "line"
	if r.Shape.packets() {
		unit = "packet"
	}
	notes = append(notes, r.Layout...)
	say(r.Compressed, "file", "unpacked (gzip)")
	say(r.Truncated, "file", "cut off at the end: what came before is used")
	say(r.OtherLink, "packet", "of other link types left out: %s", r.links())
	say(r.OtherBlock, "block", "without packets skipped")
	say(r.Unreadable, unit, "of %d not understood", r.Lines)
	say(r.TooLong, "line", "too long, skipped")
	for _, b := range r.Bad {
		notes = append(notes, "  "+b.String())
	}
	say(r.Padding, "byte", "NUL or Ctrl-Z skipped")
	say(r.Twins, "transmit request", "dropped, the frame itself kept")
	say(r.Sorted, unit, "sorted, having stepped back by at most %v", Window)
	say(r.WindowFull, "frame", "handed on without waiting for lines that step back: more than %d in %v", windowFrames, Window)
	say(r.Late, "frame", "dropped for a stamp that steps back by more than %v", Window)
	say(r.Damaged, "frame", "dropped for a stamp that alone jumps ahead")
	for _, b := range r.Dropped {
		notes = append(notes, "  "+b.String())
	}
	say(r.CutDigits, "stamp", "finer than a nanosecond, cut")
	say(r.Midnights, "midnight", "passed under times of day")
	say(r.Remote, "remote frame", "")
	say(r.Errors, "error frame", "")
	say(r.Overruns, "error frame", "saying that the logger itself lost frames")
	say(r.FD, "frame", "in the flexible data rate format")
	say(r.RawDLC, "classic frame", "with a length code above 8")
	say(r.LengthCode, "row", "whose length is a length code above 8")
	say(r.ExtraBytes, "row", "with data behind the stated length, ignored")
	say(r.Joins, "file", "without a date placed behind the one before: the time between is not known")
	if r.Gaps > 0 {
		notes = append(notes, r.gaps())
	}
	return append(notes, r.channels()...)
}

// count writes a number with its noun.
func count(n int64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// links names the link types without frames.
func (r Report) links() string {
	var out []string
	for _, l := range r.Links {
		out = append(out, fmt.Sprintf("%v: %d", l, l.Packets))
	}
	return strings.Join(out, ", ")
}

// gaps describes the silences.
func (r Report) gaps() string {
	s := fmt.Sprintf("%s, the longest %v", count(r.Gaps, "silence"), r.LongestGap.Round(time.Millisecond))
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
		if c.Frames > 0 {
			names = append(names, fmt.Sprintf("%q (%d)", c.Name, c.Frames))
		}
	}
	s := strings.Join(names, ", ")
	if r.OtherChannel > 0 {
		return []string{count(r.OtherChannel, "frame") + " of other channels left out: " + s}
	}
	return []string{"channels read as if they were one bus: " + s}
}

// names lists the channels that have frames.
func (r *Report) names() string {
	var names []string
	for _, c := range r.Channels {
		if c.Frames > 0 {
			names = append(names, fmt.Sprintf("%q", c.Name))
		}
	}
	return strings.Join(names, ", ")
}
