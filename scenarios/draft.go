package scenarios

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/survey"
	"stalegauge/bus/traffic"
)

// Draft is what a scenario is drafted from.
type Draft struct {
	Source    string // what was listened to, for a comment
	Capture   string // path of the capture as the scenario is to name it
	Channel   string // of the capture, "" = all
	Inventory *survey.Inventory
	// Fit takes a message set fitted to the inventory as the traffic instead of
	// the capture.
	Fit bool
}

// mostShown is how many signals a drafted display shows. A display of more is no
// display any more; the others stand in a comment.
const mostShown = 40

// drafted is a signal that a drafted display may show.
type drafted struct {
	id     *survey.ID
	signal signal.Definition
	known  *survey.Signal // nil for bytes of which nothing is known
	name   string
	still  bool // taken because nothing moves but counters and checksums
	limit  time.Duration
	why    string
}

// WriteDraft writes a scenario that runs as it is: the traffic, a forward list of
// what carries signals that move, and one display that shows them, each with a
// limit by how it moves. Everything that was not found in the traffic is marked as
// assumed. An error says why nothing can be drafted, or is that of w.
func WriteDraft(w io.Writer, d Draft) error {
	var fitted []traffic.Message
	var notes []string
	if d.Fit {
		fitted, notes = survey.Fit(d.Inventory)
	}
	for most := maxMessages; ; most /= 2 {
		text, err := draftText(&d, fitted, notes, most)
		if err != nil {
			return err
		}
		if len(text) <= MaxText || most <= 1 {
			_, err = w.Write(text)
			return err
		}
	}
}

// draftText writes a draft of at most so many messages.
func draftText(d *Draft, fitted []traffic.Message, notes []string, most int) ([]byte, error) {
	inv := d.Inventory
	var messages []traffic.Message
	notes = slices.Clone(notes)
	if d.Fit {
		messages, notes = costliest(fitted, notes, inv, most)
	} else {
		messages = captured(inv)
	}
	notes = append(notes, unplaced(inv, messages)...)
	names := map[string]bool{}
	for i := range messages {
		rename(&messages[i], names)
	}
	shown, rest := choose(inv, messages)
	if len(shown) == 0 {
		return nil, fmt.Errorf("%s: no data frames that come again and again: nothing that a display could show", d.Source)
	}
	if !d.Fit {
		messages = keepShown(messages, shown)
	}
	var b bytes.Buffer
	draftHead(&b, d, notes)
	draftBus(&b, d, messages)
	draftRest(&b, inv, shown, rest)
	return b.Bytes(), nil
}

// costliest bounds a message set as a scenario does.
func costliest(messages []traffic.Message, notes []string, inv *survey.Inventory, most int) ([]traffic.Message, []string) {
	keep := map[bus.ID]bool{}
	for _, id := range inv.IDs[:min(most, len(inv.IDs))] { // the costliest first
		keep[id.ID] = true
	}
	var kept []traffic.Message
	for _, m := range messages {
		if keep[m.ID] {
			m.Fields = slices.Clone(m.Fields)
			kept = append(kept, m)
		}
	}
	if left := len(messages) - len(kept); left > 0 {
		notes = append(notes, fmt.Sprintf("left out: %d identifiers of least load; a scenario has at most %d messages and %d bytes", left, maxMessages, MaxText))
	}
	return kept, notes
}

// captured returns where the signals of a capture lie, as messages that send
// nothing. Identifiers of which nothing is known get their changing bytes.
func captured(inv *survey.Inventory) []traffic.Message {
	var messages []traffic.Message
	for i := range inv.IDs {
		d := &inv.IDs[i]
		if d.Frames == d.Remotes || d.Length == 0 {
			continue
		}
		m := traffic.Message{Name: cmp.Or(d.Name, "Id"+d.ID.String()), ID: d.ID, Length: d.Length, Selector: d.Selector()}
		if d.Flexible > 0 {
			m.Flags = bus.FD
		}
		definitions := d.Runs()
		if len(d.Signals) > 0 {
			definitions = definitions[:0]
			for j := range d.Signals {
				if d.Signals[j].Fits() && d.Signals[j].Frames > 0 {
					definitions = append(definitions, d.Signals[j].Definition)
				}
			}
		}
		var placed []signal.Definition
		for _, s := range definitions {
			if s.Page != signal.AnyPage && m.Selector == nil || s.Check() != nil || signal.CheckLayout(m.Length, append(placed, s), m.Selector) != nil {
				continue
			}
			placed = append(placed, s)
			m.Fields = append(m.Fields, traffic.Field{Signal: s})
		}
		messages = append(messages, m)
	}
	slices.SortFunc(messages, func(a, b traffic.Message) int { return cmp.Compare(a.ID.Priority(false), b.ID.Priority(false)) })
	return messages
}

// unplaced names the signals that no scenario can have beside the others: they
// overlap, lie on several pages or behind a second selector, or have values that
// their bits cannot carry.
func unplaced(inv *survey.Inventory, messages []traffic.Message) (notes []string) {
	byID := map[bus.ID]*traffic.Message{}
	for i := range messages {
		byID[messages[i].ID] = &messages[i]
	}
	for i := range inv.IDs {
		d := &inv.IDs[i]
		m := byID[d.ID]
		var left []string
		for j := range d.Signals {
			g := &d.Signals[j]
			if m == nil || g.Frames == 0 || g.IsSelector || slices.ContainsFunc(m.Fields, func(f traffic.Field) bool { return f.Signal == g.Definition }) {
				continue
			}
			left = append(left, g.Name)
		}
		if len(left) > 0 {
			notes = append(notes, fmt.Sprintf("left out of %s: %s, which overlap others or need more than one page selector", d.ID, strings.Join(left, ", ")))
		}
	}
	return notes
}

// choose returns the signals that a display is to show, the most urgent message
// first, and those that it could show too.
func choose(inv *survey.Inventory, messages []traffic.Message) (shown, rest []drafted) {
	byID := map[bus.ID]*survey.ID{}
	for i := range inv.IDs {
		byID[inv.IDs[i].ID] = &inv.IDs[i]
	}
	met := map[string]int{}
	for i := range messages {
		for j := range messages[i].Fields {
			met[messages[i].Fields[j].Signal.Name]++
		}
	}
	var all, still []drafted
	for i := range messages {
		m := &messages[i]
		d := byID[m.ID]
		if m.Remote || d == nil || d.MeanExact <= 0 {
			continue
		}
		for j := range m.Fields {
			s := drafted{id: d, signal: m.Fields[j].Signal, name: m.Fields[j].Signal.Name, known: knownSignal(d, &m.Fields[j].Signal)}
			if met[s.name] > 1 {
				s.name = m.Name + "." + s.name
			}
			s.judge()
			switch {
			case s.known != nil && s.known.IsSelector || strings.HasPrefix(s.signal.Name, "fixed_"):
			case s.known != nil && (s.known.Movement == survey.Never || s.known.Alive):
				still = append(still, s)
			default:
				all = append(all, s)
			}
		}
	}
	if len(all) == 0 {
		all, still = still, nil
	}
	if len(all) == 0 {
		all = anyByte(messages, byID)
	}
	n := min(len(all), mostShown)
	return all[:n:n], append(all[n:len(all):len(all)], still...)
}

// anyByte gives the first byte of the most urgent message a name: a bus on which
// nothing ever moves can still be listened to.
func anyByte(messages []traffic.Message, byID map[bus.ID]*survey.ID) []drafted {
	for i := range messages {
		m := &messages[i]
		d := byID[m.ID]
		if m.Remote || d == nil || d.MeanExact <= 0 || d.MinLength == 0 || m.Length == 0 {
			continue
		}
		for j := range m.Fields {
			s := drafted{id: d, signal: m.Fields[j].Signal, name: m.Fields[j].Signal.Name, still: true}
			s.judge()
			return []drafted{s}
		}
		s := drafted{id: d, signal: signal.Definition{Name: "raw_" + d.ID.String() + "_0", Bits: 8, Scale: 1, Page: signal.AnyPage}, still: true}
		s.name = s.signal.Name
		s.judge()
		m.Fields = append(m.Fields, traffic.Field{Signal: s.signal})
		return []drafted{s}
	}
	return nil
}

// knownSignal returns what was found of a signal, by its place.
func knownSignal(d *survey.ID, s *signal.Definition) *survey.Signal {
	for i := range d.Signals {
		if g := &d.Signals[i]; g.Start == s.Start && g.Bits == s.Bits && g.Page == s.Page && g.BigEndian == s.BigEndian {
			return g
		}
	}
	return nil
}

// keepShown leaves in the messages what displays show.
func keepShown(messages []traffic.Message, shown []drafted) (kept []traffic.Message) {
	wanted := map[bus.ID][]signal.Definition{}
	for _, s := range shown {
		wanted[s.id.ID] = append(wanted[s.id.ID], s.signal)
	}
	for _, m := range messages {
		if len(wanted[m.ID]) == 0 {
			continue
		}
		m.Fields = slices.DeleteFunc(slices.Clone(m.Fields), func(f traffic.Field) bool { return !slices.Contains(wanted[m.ID], f.Signal) })
		kept = append(kept, m)
	}
	return kept
}

// The parts of a limit. What a bridge and a display of usual settings add between
// the bus and the eye: half a hold, a redraw, drawing and some loss.
const (
	chain     = 250 * time.Millisecond
	rareExtra = time.Second
)

// judge works out a limit by how a signal moves, as a start.
func (s *drafted) judge() {
	rhythm := &s.id.Rhythm
	for i := range s.id.Pages {
		if s.id.Pages[i].Number == s.signal.Page && s.id.Pages[i].MeanExact > 0 {
			rhythm = &s.id.Pages[i].Rhythm
		}
	}
	period := round(rhythm.Mean)
	every := "every " + formatDuration(period)
	if rhythm.Regularity == survey.OnEvent { // its age grows in every silence
		period = round(rhythm.Longest)
		every = "on event, silent for up to " + formatDuration(period)
	}
	moves := "bits that change, nobody knows what they mean"
	if s.still {
		moves = "taken because nothing moves but what looks like counters and checksums"
	}
	limit := 2*period + chain
	if g := s.known; g != nil {
		moves = strings.TrimSpace(fmt.Sprintf("%s, %.3g changes/s, %.5g..%.5g %s", g.Movement, g.PerSecond, g.Low, g.High, g.Unit))
		switch g.Movement {
		case survey.InPulses:
			limit = max(period+chain, g.Pulse/2)
			moves += ", shortest pulse " + formatDuration(round(g.Pulse))
		case survey.Rarely, survey.Never:
			limit += rareExtra
		}
	}
	s.limit = limit
	const grain = 50 * time.Millisecond
	if rest := s.limit % grain; rest > 0 {
		s.limit += grain - rest
	}
	s.limit = min(s.limit, 1000*time.Hour)
	s.why = strings.TrimSpace(strings.Join(strings.Fields(moves), " ")) + "; " + every
}

// round leaves three digits of a time.
func round(d time.Duration) time.Duration {
	if d <= 0 {
		return d
	}
	grain := time.Duration(math.Pow(10, math.Floor(math.Log10(float64(d)))-2))
	return d.Round(max(grain, 1))
}
