package scenarios

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/survey"
	"stalegauge/bus/traffic"
)

// rename gives a message and its signals names that a scenario can have, each once.
func rename(m *traffic.Message, taken map[string]bool) {
	m.Name = nameFor(m.Name, "m_")
	if taken[m.Name] {
		m.Name += "_" + m.ID.String()
	}
	taken[m.Name] = true
	own := map[string]bool{}
	for i := range m.Fields {
		s := &m.Fields[i].Signal
		base := nameFor(s.Name, "s_")
		s.Name = base
		for n := 2; own[s.Name]; n++ {
			s.Name = base + "_" + strconv.Itoa(n)
		}
		own[s.Name] = true
	}
}

// nameFor makes a name of letters, digits, _ and - that begins with a letter.
func nameFor(text, prefix string) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z', 'A' <= r && r <= 'Z', '0' <= r && r <= '9', r == '_', r == '-':
			return r
		}
		return '_'
	}, text)
	if name == "" || !(name[0]|0x20 >= 'a' && name[0]|0x20 <= 'z') {
		name = prefix + name
	}
	if len(name) > longestName {
		name = name[:longestName]
	}
	switch strings.ToLower(name) {
	case "y", "n", "yes", "no", "on", "off", "true", "false", "null":
		name += "_" // YAML has a meaning of its own for these
	}
	return name
}

// longestName leaves room for what keeps names apart.
const longestName = 48

// commentText makes what comes from a capture or database fit for one line of a comment.
func commentText(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if strconv.IsPrint(r) {
			return r
		}
		return ' '
	}, s)), " ")
}

func draftHead(b *bytes.Buffer, d *Draft, notes []string) {
	inv := d.Inventory
	line := func(format string, args ...any) {
		fmt.Fprintf(b, "%s\n", strings.TrimSpace("# "+commentText(fmt.Sprintf(format, args...))))
	}
	identifiers := "1 identifier"
	if n := len(inv.IDs); n != 1 {
		identifiers = fmt.Sprintf("%d identifiers", n)
	}
	line("A draft, made from %s: %s, %.4g frames/s, %.3g %% of the bus.", d.Source, identifiers, inv.PerSecond, 100*inv.Load)
	line("")
	if d.Fit {
		line("The bus is a message set that resembles what was heard.")
	} else {
		line("The bus is the capture itself.")
	}
	line("What was not heard is ASSUMED and marked so: which signals matter, how fresh")
	line("they must be, the bridge and the display. Change these first. All defaults that")
	line("are not in this file: stalegauge scenarios show FILE --defaults")
	for _, n := range notes {
		line("Note: %s.", n)
	}
	fmt.Fprintf(b, "\nname: draft\nabout: %s\n\n", strconv.Quote("Drafted from "+commentText(d.Source)))
}

func draftBus(b *bytes.Buffer, d *Draft, messages []traffic.Message) {
	rate := &d.Inventory.BitRate
	fmt.Fprintf(b, "bus:\n")
	fmt.Fprintf(b, "  # %s\n", commentText(rate.Reason))
	fmt.Fprintf(b, "  bitrate: %s\n", rateText(rate.Value))
	if rate.Data > rate.Value {
		fmt.Fprintf(b, "  data_bitrate: %s\n", rateText(rate.Data))
	}
	if !d.Fit {
		channel := ""
		if d.Channel != "" {
			channel = ", channel: " + strconv.Quote(d.Channel)
		}
		fmt.Fprintf(b, "  capture: {file: %s%s}\n", strconv.Quote(d.Capture), channel)
		fmt.Fprintf(b, "  # Where the signals lie that the display shows.\n")
	}
	fmt.Fprintf(b, "  messages:\n")
	for i := range messages {
		draftMessage(b, &messages[i], !d.Fit)
	}
}

func rateText(rate int) string {
	if rate%1000 == 0 {
		return fmt.Sprintf("%dkbit/s", rate/1000)
	}
	return fmt.Sprintf("%dbit/s", rate)
}

// draftMessage writes a message; laid is one that says where signals lie and sends
// nothing.
func draftMessage(b *bytes.Buffer, m *traffic.Message, laid bool) {
	fmt.Fprintf(b, "    %s:\n      id: %s\n      length: %d\n", m.Name, strconv.Quote(m.ID.String()), m.Length)
	switch {
	case m.Flags&bus.BitRateFast != 0:
		fmt.Fprintf(b, "      format: fd-fast\n")
	case m.Flags&bus.FD != 0:
		fmt.Fprintf(b, "      format: fd\n")
	}
	if !laid {
		draftReleases(b, m)
	}
	if s := m.Selector; s != nil {
		fmt.Fprintf(b, "      page: {start: %d, bits: %d%s", s.Start, s.Bits, orderText(s.BigEndian))
		if len(m.Pages) > 0 {
			fmt.Fprintf(b, ", pages: [%s]", strings.Trim(strings.ReplaceAll(fmt.Sprint(m.Pages), " ", ", "), "[]"))
		}
		fmt.Fprintf(b, "}\n")
	}
	if len(m.Fields) == 0 {
		return
	}
	fmt.Fprintf(b, "      signals:\n")
	for i := range m.Fields {
		draftSignal(b, &m.Fields[i], laid)
	}
}

func draftReleases(b *bytes.Buffer, m *traffic.Message) {
	if m.Remote {
		fmt.Fprintf(b, "      remote: true\n")
	}
	if m.Period > 0 {
		fmt.Fprintf(b, "      period: %s\n", formatDuration(m.Period))
	}
	if m.Jitter > 0 {
		fmt.Fprintf(b, "      jitter: %s\n", formatDuration(m.Jitter))
	}
	if m.Drift != 0 {
		fmt.Fprintf(b, "      drift: %sppm\n", strconv.FormatFloat(m.Drift, 'f', -1, 64))
	}
	if e := m.Events; e != nil {
		fmt.Fprintf(b, "      events: {every: %s, min_gap: %s}\n", formatDuration(e.Every), formatDuration(e.MinGap))
	}
}

func orderText(big bool) string {
	if big {
		return ", order: big"
	}
	return ""
}

func draftSignal(b *bytes.Buffer, f *traffic.Field, laid bool) {
	s := &f.Signal
	fmt.Fprintf(b, "        %s: {start: %d, bits: %d%s", s.Name, s.Start, s.Bits, orderText(s.BigEndian))
	if s.Signed && !s.Float {
		b.WriteString(", signed: true")
	}
	if s.Float {
		b.WriteString(", float: true")
	}
	if s.Scale != 1 {
		b.WriteString(", scale: " + decimal(s.Scale))
	}
	if s.Offset != 0 {
		b.WriteString(", offset: " + decimal(s.Offset))
	}
	if s.Unit != "" {
		b.WriteString(", unit: " + strconv.Quote(s.Unit))
	}
	if s.Page != signal.AnyPage {
		fmt.Fprintf(b, ", page: %d", s.Page)
	}
	if !laid {
		b.WriteString(", value: " + lawText(&f.Value))
	}
	b.WriteString("}\n")
}

// decimal writes a number as a scenario reads it.
func decimal(x float64) string {
	if math.Abs(x) < 1e-90 {
		return "0" // no scenario writes such a number
	}
	if x == math.Trunc(x) && math.Abs(x) < 1e15 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	if text := strconv.FormatFloat(x, 'g', -1, 64); decimalText.MatchString(text) {
		return text
	}
	return strconv.FormatFloat(x, 'e', -1, 64) // fewer digits behind the point
}

func lawText(v *traffic.Value) string {
	word := ""
	for w, kind := range laws {
		if kind == v.Kind {
			word = w
		}
	}
	switch v.Kind {
	case traffic.Constant:
		return fmt.Sprintf("{law: constant, low: %s}", decimal(v.Low))
	case traffic.Counter, traffic.Checksum:
		return word
	case traffic.RandomWalk:
		return fmt.Sprintf("{law: walk, low: %s, high: %s, step: %s}", decimal(v.Low), decimal(v.High), decimal(v.Step))
	}
	return fmt.Sprintf("{law: %s, low: %s, high: %s, every: %s, width: %s}", word, decimal(v.Low), decimal(v.High), formatDuration(v.Every), formatDuration(v.Width))
}

// mostRest is how many signals that are not shown are listed.
const mostRest = 1000

// draftRest writes the bridge and the display.
func draftRest(b *bytes.Buffer, inv *survey.Inventory, shown, rest []drafted) {
	var forward []string
	listed := map[bus.ID]bool{}
	for i := range shown {
		s := &shown[i]
		if !listed[s.id.ID] {
			listed[s.id.ID] = true
			forward = append(forward, strconv.Quote(s.id.ID.String()))
		}
	}
	b.WriteString("\nbridge:\n")
	if slices.ContainsFunc(inv.IDs, func(d survey.ID) bool { return d.Length > 8 }) {
		b.WriteString("  controller: {frames: 32} # ASSUMED: one for FD frames, which the usual 64 bytes cannot hold\n")
	}
	b.WriteString("  # What carries the signals below, and nothing else.\n")
	fmt.Fprintf(b, "  forward: [%s]\n", strings.Join(forward, ", "))
	b.WriteString("  policy: {kind: fill, hold: 50ms} # ASSUMED\n")
	b.WriteString("\nradio: {profile: action-frame, rate: 1Mbit/s} # ASSUMED\n\n")
	b.WriteString("weather: {loss: 1%, burst: 5ms} # ASSUMED, best measured\n\n")
	b.WriteString("receivers:\n  display: # ASSUMED: one display with usual settings\n    redraw: 100ms\n    draw: 31ms\n    shows:\n")
	b.WriteString("      # ASSUMED limits, by how each signal moves: twice its period and 250ms for\n")
	b.WriteString("      # the way to the eye; a second more for what rarely changes; for pulses its\n")
	b.WriteString("      # period and 250ms, or half of the shortest pulse where that is longer.\n")
	line := func(prefix string, s *drafted) {
		fmt.Fprintf(b, "      %s%s: %s # %s\n", prefix, s.name, formatDuration(s.limit), commentText(s.why))
	}
	for i := range shown {
		line("", &shown[i])
	}
	if len(rest) > 0 {
		b.WriteString("      # Not shown; where you need one, put its message into the lists above too:\n")
		for i := range rest[:min(len(rest), mostRest)] {
			line("# ", &rest[i])
		}
		if more := len(rest) - mostRest; more > 0 {
			fmt.Fprintf(b, "      # %d more: see the report of inspect\n", more)
		}
	}
}
