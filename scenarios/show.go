package scenarios

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"

	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// Show prints a scenario, built in or from a file: its text, and as comments
// the bytes of each message that carries signals and, if asked, every key with
// its value and where that comes from. What it prints is a scenario again.
func Show(w io.Writer, nameOrPath string, defaults bool) error {
	path, text, err := locate(nameOrPath, "")
	if err != nil {
		return err
	}
	plan, err := Load(path, text, nil)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	b.Write(bytes.TrimRight(text, "\n"))
	b.WriteString("\n")
	showCapture(&b, plan.Bus.Capture)
	if db := plan.Bus.Database; db != nil {
		fmt.Fprintf(&b, "\n# The signal database %s: %s\n", db.Name, count(len(db.Messages), "message"))
	}
	showPictures(&b, plan)
	if err := plan.Close(); err != nil {
		return err
	}
	if defaults {
		root, _, err := readTree(path, text, nil)
		if err != nil {
			return err
		}
		again, _ := build(root) // marks what has no effect
		if err := again.Close(); err != nil {
			return err
		}
		showKeys(&b, root)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// showCapture says what is in a capture and how it is read.
func showCapture(b *bytes.Buffer, c *CapturePlan) {
	if c == nil {
		return
	}
	s := c.Summary
	fmt.Fprintf(b, "\n# The capture %s: %s, %s in %s, %s\n", c.Name, s.Report.Shape,
		count(int(s.Report.Frames), "frame"), formatDuration(s.Span), count(len(s.IDs), "identifier"))
	for _, n := range c.everyNote() {
		comment(b, n)
	}
}

// timing says when a message comes.
func timing(bus *Bus, m *traffic.Message) string {
	if c := bus.Capture; c != nil {
		switch period := c.period(m.ID, signal.AnyPage); {
		case !c.has(m.ID, signal.AnyPage):
			return "not in the capture"
		case period > 0:
			return "in the capture every " + formatDuration(period) + " in the mean"
		}
		return "in the capture once"
	}
	if m.Period > 0 {
		return "every " + formatDuration(m.Period)
	}
	return "on events"
}

// showPictures draws the messages with signals.
func showPictures(b *bytes.Buffer, plan *Plan) {
	for i := range plan.Bus.Messages {
		m := &plan.Bus.Messages[i]
		if len(m.Fields) == 0 {
			continue
		}
		var defs []signal.Definition
		for _, f := range m.Fields {
			defs = append(defs, f.Signal)
		}
		fmt.Fprintf(b, "\n# %s, identifier %s, %s, %s\n", m.Name, m.ID, count(m.Length, "byte"), timing(&plan.Bus, m))
		comment(b, signal.Picture(m.Length, defs, m.Selector))
		showLabels(b, plan.Bus.Database, m)
	}
}

// showLabels writes the names of values that the signal database has.
func showLabels(b *bytes.Buffer, db *signal.Database, m *traffic.Message) {
	if db == nil {
		return
	}
	entry, ok := db.Match(m.ID)
	if !ok {
		return
	}
	for i := range entry.Signals {
		s := &entry.Signals[i]
		if len(s.Labels) == 0 || !slices.ContainsFunc(m.Fields, func(f traffic.Field) bool { return f.Signal.Name == s.Name }) {
			continue
		}
		var labels []string
		for _, l := range s.Labels[:min(len(s.Labels), shownLabels)] {
			labels = append(labels, fmt.Sprintf("%v %s", l.Value, l.Text))
		}
		if more := len(s.Labels) - len(labels); more > 0 {
			labels = append(labels, fmt.Sprintf("and %d more", more))
		}
		comment(b, "\n"+s.Name+": "+strings.Join(labels, ", "))
	}
}

// shownLabels is how many names of values of a signal are shown.
const shownLabels = 16

func comment(b *bytes.Buffer, text string) {
	for _, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		b.WriteString(strings.TrimRight("# "+line, " ") + "\n")
	}
}

// isEntry reports whether a path lies in one of the long lists.
func isEntry(path string) bool {
	for _, prefix := range []string{"bus.messages.", "bus.filler.", "bus.timeline.", "bridge.forward."} {
		if strings.HasPrefix(path, prefix) {
			return true
		}
	}
	return false
}

// keyLine is one row of the list of keys.
type keyLine struct{ key, value, origin string }

// showKeys lists every key with its value. The entries of the long lists are
// mostly alike: what was given is listed, and the defaults of the rest once.
func showKeys(b *bytes.Buffer, root *value) {
	var lines, messages []keyLine
	walk(root, func(v *value) {
		if l, ok := lineOf(v); ok {
			if isEntry(v.path) {
				if v.given {
					messages = append(messages, l)
				}
				return
			}
			lines = append(lines, l)
		}
	})
	b.WriteString("\n# Every key, its value, and where the value comes from\n#\n")
	writeLines(b, lines)
	b.WriteString("#\n# What messages, timeline and forward list were given\n#\n")
	writeLines(b, messages)
	b.WriteString("#\n# Their defaults\n#\n")
	var rest []keyLine
	for _, k := range allKeys() {
		if isEntry(k.Path) && k.Default != "" {
			rest = append(rest, keyLine{k.Path, k.Default, "default: " + k.Origin})
		}
	}
	writeLines(b, rest)
}

// lineOf returns the row of a value, false for one that only holds others or
// has no effect here.
func lineOf(v *value) (keyLine, bool) {
	switch v.key.kind {
	case section:
		return keyLine{}, false
	case names, items:
		if v.parsed == nil && len(v.kids) > 0 || v.path == "" {
			return keyLine{}, false
		}
	}
	text := v.shownText()
	if text == "" {
		text = "none"
	}
	origin := v.origin().String()
	switch {
	case v.unused:
		origin = "no effect here"
	case v.from != nil:
		origin += ", as " + v.from.path
	case !v.given && v.reason() != "":
		origin += ": " + v.reason()
	}
	if v.key.kind == anyText {
		text = shorten(strings.Join(strings.Fields(text), " "), 48)
	}
	return keyLine{v.path, text, origin}, true
}

func writeLines(b *bytes.Buffer, lines []keyLine) {
	keys, values := 0, 0
	for _, l := range lines {
		keys, values = max(keys, len([]rune(l.key))), max(values, min(24, len([]rune(l.value))))
	}
	for _, l := range lines {
		fmt.Fprintf(b, "# %-*s  %-*s  %s\n", keys, l.key, values, l.value, l.origin)
	}
}
