package reports

import (
	"fmt"
	"io"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/mask"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Masks is the answer about acceptance masks.
type Masks struct {
	Version  string
	Scenario string // "" where only identifiers were given: then rates and slack are not known
	Answer   *mask.Answer
	Names    map[bus.ID]string // of messages
	Buffer   string            // the receive buffer, in words
	// Before and After say how long the receive buffer takes what comes, without
	// the masks and with them, over Span of traffic.
	Before, After sim.OverrunRun
	Span          time.Duration
	Forward       []scenarios.ForwardCost
	Warnings      []string
}

// MasksText writes the answer for people: six lines first, then the registers,
// the wanted identifiers, what leaks through and what the forward list costs.
func MasksText(w io.Writer, m *Masks, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	a := m.Answer
	shape := a.Program.Shape()
	p.answerLine("shape", shape.String()+"; "+shape.Polarity())
	p.answerLine("passes", m.passes())
	p.answerLine("leaks", m.leaks())
	p.answerLine("proof", m.proof())
	p.answerLine("slack", m.slack())
	p.answerLine("use", fmt.Sprintf("bridge.controller: {shape: %s, masks: auto}", shape))
	maskWords(p, a)
	maskSlack(p, m)
	maskPasses(p, m)
	maskLeaks(p, m)
	forwardTable(p, m.Forward)
	for i, text := range m.Warnings {
		if i == 0 {
			p.heading("Warnings")
		}
		p.paragraph("  ! ", text)
	}
	_, err := io.WriteString(w, p.String())
	return err
}

// passes says how much reaches the processor.
func (m *Masks) passes() string {
	a := m.Answer
	text := fmt.Sprintf("all %d wanted", len(a.Wanted))
	if len(a.Wanted) == 1 {
		text = "the one wanted"
	}
	if !a.Rated {
		return text + "; name a scenario for frames/s"
	}
	return fmt.Sprintf("%s; %s of %s frames/s reach the processor, %s", text, plain(a.After, true), plain(a.Before, true), percent(a.After/a.Before, a.Before > 0))
}

// leaks says what of it nobody wants.
func (m *Masks) leaks() string {
	a := m.Answer
	switch {
	case len(a.Leaks) == 0 && !a.Rated && a.Wanted[0].IsExtended():
		return "known only with the rates of a bus: name a scenario"
	case len(a.Leaks) == 0 && a.Rated:
		return "nothing unwanted of the traffic passes"
	case len(a.Leaks) == 0 && a.Wanted[len(a.Wanted)-1].IsExtended():
		return "no other 11-bit identifier passes; of 29 bits only rates tell"
	case len(a.Leaks) == 0:
		return "no other 11-bit identifier passes"
	case !a.Rated:
		return plural(len(a.Leaks), "other 11-bit identifier")
	}
	return fmt.Sprintf("%s frames/s unwanted, of %s, most of %s", plain(a.Unwanted, true), plural(len(a.Leaks), "identifier"), a.Leaks[0].ID)
}

func (m *Masks) proof() string {
	a := m.Answer
	if a.Proof != mask.Bounded {
		return a.Note
	}
	return fmt.Sprintf("the best found; no setting leaks less than %s", plain(a.Bound, true))
}

func (m *Masks) slack() string {
	if m.Scenario == "" {
		return "known only with a scenario"
	}
	return fmt.Sprintf("a stall loses a frame after %s, without masks after %s", overrunText(m.After, m.Span), overrunText(m.Before, m.Span))
}

func overrunText(r sim.OverrunRun, over time.Duration) string {
	if !r.Lost {
		return "more than " + long(over.Seconds())
	}
	return span(r.Least.Seconds(), true)
}

func maskSetting(p *mask.Program) string {
	var words []string
	for _, w := range p.Words() {
		words = append(words, fmt.Sprintf("%0*X", w.Bits/4, w.Value))
	}
	return fmt.Sprintf("{shape: %s, masks: [%s]}", p.Shape(), strings.Join(words, ", "))
}

func maskWords(p *page, a *mask.Answer) {
	p.heading("Register words (" + a.Program.Shape().Polarity() + ")")
	t := newTable(p, "register", "word", "bits")
	t.left(3)
	for _, w := range a.Program.Words() {
		bits := fmt.Sprintf("%0*b", w.Bits, w.Value)
		for i := len(bits) - 8; i > 0; i -= 8 {
			bits = bits[:i] + " " + bits[i:]
		}
		t.row(w.Name, fmt.Sprintf("%0*X", w.Bits/4, w.Value), bits)
	}
	t.write()
	p.paragraph("  what it holds  ", "exactly at most "+a.Program.Shape().Holds())
	p.paragraph("  in a scenario  ", "bridge.controller: "+maskSetting(a.Program))
}

// maskSlack writes how long the receive buffer lasts.
func maskSlack(p *page, m *Masks) {
	if m.Scenario == "" {
		return
	}
	p.heading(fmt.Sprintf("How long a stalled processor may pause: %s, over %s of traffic", m.Buffer, long(m.Span.Seconds())))
	t := newTable(p, "masks", "least", "on average")
	for _, r := range []struct {
		name string
		run  sim.OverrunRun
	}{{"without", m.Before}, {"with", m.After}} {
		t.row(r.name, span(r.run.Least.Seconds(), r.run.Lost), span(r.run.Mean.Seconds(), r.run.Lost))
	}
	t.write()
}

func maskPasses(p *page, m *Masks) {
	p.heading("Wanted, and the code that lets it pass")
	t := newTable(p, "id", "message", "passes by")
	t.left(2)
	t.left(3)
	t.shrink = 2
	for _, w := range m.Answer.Passes {
		t.row(w.ID.String(), clean(m.Names[w.ID]), w.By)
	}
	t.write()
}

// leaksShown bounds the list of identifiers that nobody sends or whose rate is
// not known.
const leaksShown = 40

func maskLeaks(p *page, m *Masks) {
	leaks := m.Answer.Leaks
	if len(leaks) == 0 {
		return
	}
	if !m.Answer.Rated {
		p.heading("Unwanted identifiers that pass")
		var names []string
		for _, l := range leaks[:min(len(leaks), leaksShown)] {
			names = append(names, l.ID.String())
		}
		if more := len(leaks) - leaksShown; more > 0 {
			names = append(names, fmt.Sprintf("and %d more (all of them with --format json)", more))
		}
		p.paragraph("  ", strings.Join(names, ", "))
		return
	}
	p.heading("Unwanted, and passes all the same")
	t := newTable(p, "id", "message", "frames/s", "passes by")
	t.left(2)
	t.left(4)
	t.shrink = 2
	for _, l := range leaks {
		name := clean(m.Names[l.ID])
		if l.Remote {
			name = strings.TrimSpace(name + " (remote frames)")
		}
		t.row(l.ID.String(), name, plain(l.PerSecond, true), l.By)
	}
	t.write()
}

// forwardTable writes what each identifier of the forward list costs in the air
// and what it brings.
func forwardTable(p *page, costs []scenarios.ForwardCost) {
	if len(costs) == 0 {
		return
	}
	p.heading("Forward list: what each identifier costs in the air, at most")
	t := newTable(p, "id", "bytes of\na record", "records/s", "% of\nair time", "shown bits", "of bits")
	share := 0.0
	for _, c := range costs {
		share += c.AirShare
		t.row(c.ID.String(), fmt.Sprint(c.Bytes), plain(c.PerSecond, true), bare(c.AirShare, true), fmt.Sprint(c.ShownBits), fmt.Sprint(c.Bits))
	}
	t.write()
	p.paragraph("  ", fmt.Sprintf("%s of the time on air together; headers of broadcasts that hold several records are shared and not counted.", percent(share, true)))
	p.heading("Forward list: what each identifier carries")
	t = newTable(p, "id", "message", "shows", "carries beside")
	for column := 2; column <= 4; column++ {
		t.left(column)
	}
	t.shrink = 4
	for _, c := range costs {
		t.row(c.ID.String(), cut(c.Message, 16), strings.Join(shortNames(c.Shown), "\n"), strings.Join(c.Others, ", "))
	}
	t.write()
}

func shortNames(names []string) []string {
	var out []string
	for _, n := range names {
		out = append(out, cut(n, 26))
	}
	return out
}

// MaskShapes writes the list of shapes.
func MaskShapes(w io.Writer, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	for i, info := range mask.Shapes() {
		if i > 0 {
			p.lines = append(p.lines, "")
		}
		p.lines = append(p.lines, p.paint(bold, info.Name))
		p.paragraph("  filters  ", info.About)
		p.paragraph("  bits     ", info.Polarity)
		p.paragraph("  words    ", info.Words)
	}
	_, err := io.WriteString(w, p.String())
	return err
}

// maskAssumption says which masks a run used and what they are for.
func maskAssumption(plan *scenarios.Plan) string {
	m := plan.Masks
	text := fmt.Sprintf("%s of %s frames/s reach the processor by the mean rates of the bus; given: ", plain(m.After, true), plain(m.Before, true))
	if m.Auto {
		text = strings.TrimSuffix(text, "given: ") + "worked out for the forward list, " + m.Answer.Note + ": "
	}
	return text + maskSetting(plan.Bridge.Controller.Masks)
}
