package scenarios

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// maxMessages bounds a message set: a range of 29-bit identifiers could ask for
// half a billion.
const maxMessages = 4096

func (b *builder) bus(v *value) {
	out := &b.plan.Bus
	out.BitRate = int(v.get("bitrate").float())
	out.DataBitRate = int(v.get("data_bitrate").float())
	b.plan.Selectors = map[bus.ID]*signal.Selector{}
	captured := b.replaced(v)
	b.openDatabase(v.get("database"))
	for _, m := range v.get("messages").kids {
		b.message(m)
	}
	for _, f := range v.get("filler").kids {
		b.filler(f)
	}
	out.BitErrorRate, out.ErrorFrames = v.get("bit_errors").float(), v.get("error_frames").truth()
	if captured {
		b.capture(v)
	} else {
		b.cyclic(v)
	}
	if !captured && len(out.Messages) == 0 && b.database == nil && !anyBad(v, v.get("messages"), v.get("filler"), v.get("database").get("file")) {
		b.contradiction("no message is on the bus", "give bus.messages, bus.filler, bus.database or bus.capture", v)
	}
	b.timeline(v.get("timeline"))
	if !captured {
		b.checkNodes(v)
		b.checkSent(v)
	}
	b.listSignals()
}

// listSignals lists the shortest names that stand for one signal each.
func (b *builder) listSignals() {
	for name, found := range b.signals {
		message, short, dotted := strings.Cut(name, ".")
		if !dotted {
			short = message
		}
		plain, _, onPage := strings.Cut(short, "@")
		if len(found) == 1 && (!dotted || len(b.signals[plain]) > 1) && (!onPage || len(b.signals[message+"."+plain]) > 1) {
			b.signalList = append(b.signalList, name)
		}
	}
	slices.Sort(b.signalList)
}

// register enters a signal under the names by which a display finds it: with its
// message in front, also with its page behind, and, if asked, its own alone. The
// message "" stands for the last alone.
func (b *builder) register(message string, alone bool, s Shown) {
	var names []string
	if alone || message == "" {
		names = append(names, s.Signal.Name)
	}
	if full := message + "." + s.Signal.Name; message != "" {
		names = append(names, full)
		if s.Signal.Page != signal.AnyPage {
			names = append(names, fmt.Sprintf("%s@%d", full, s.Signal.Page))
		}
	}
	for _, name := range names {
		b.signals[name] = append(b.signals[name], s)
	}
}

// timing reads the keys that messages and fillers share.
func (b *builder) timing(v *value) traffic.Message {
	m := traffic.Message{
		Length: v.get("length").int(), Period: v.get("period").time(), Jitter: v.get("jitter").time(),
		Drift: v.get("drift").float(), Offset: v.get("phase").time(), Phase: traffic.PhaseFixed,
		Node: v.get("node").str(), Overwrite: v.get("overwrite").truth(),
	}
	if v.get("phase").is("random") {
		m.Phase = traffic.PhaseRandom
	}
	switch v.get("format").str() {
	case "fd":
		m.Flags = bus.FD
	case "fd-fast":
		m.Flags = bus.FD | bus.BitRateFast
	}
	if m.Flags == 0 && m.Length > 8 {
		b.contradiction(fmt.Sprintf("%s do not fit a classic frame, which holds 8", count(m.Length, "byte")), "format: fd holds up to 64", v.get("length"), v.get("format"))
	} else if !fdLength(m.Length) {
		b.contradiction(fmt.Sprintf("no FD frame has %s", count(m.Length, "byte")), "above 8 there are 12, 16, 20, 24, 32, 48 and 64", v.get("length"), v.get("format"))
	}
	if m.Jitter > 0 && m.Period > 0 && m.Jitter >= time.Duration(float64(m.Period)*(1+m.Drift*1e-6)) {
		b.contradiction(fmt.Sprintf("a jitter of %s is not below the period of %s", formatDuration(m.Jitter), formatDuration(m.Period)), "", v.get("jitter"), v.get("period"))
	}
	return m
}

// fdLength reports whether a data length code stands for n bytes (ISO
// 11898-1:2015, table of data length codes).
func fdLength(n int) bool {
	return n <= 8 || slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, n)
}

// claim enters an identifier and reports one that is taken.
func (b *builder) claim(id bus.ID, v *value) bool {
	if len(b.plan.Bus.Messages) >= maxMessages {
		b.contradiction(fmt.Sprintf("more than %d messages on the bus", maxMessages), "", v)
		return false
	}
	if other := b.messageAt[id]; other != nil {
		b.contradiction(fmt.Sprintf("the identifier %s is taken by %s", id, other.path), "", v)
		return false
	}
	b.messageAt[id] = v
	return true
}

func (b *builder) message(v *value) {
	entry := b.entryOf(v)
	b.fillMessage(v, entry)
	m := b.timing(v)
	m.Name, m.ID, m.Remote = v.name, v.get("id").id(), v.get("remote").truth()
	if v.get("id").bad || !b.claim(m.ID, v.get("id")) {
		m.ID = 0
	}
	update := b.pages(v, &m, entry)
	b.fields(v, &m, entry)
	b.events(v, &m)
	if m.Remote && len(m.Fields) > 0 {
		b.contradiction("a remote frame carries no signals", "", v.get("remote"), v.get("signals"))
	}
	for _, f := range m.Fields {
		s := Shown{Signal: f.Signal, ID: m.ID, Period: update(f.Signal.Page)}
		if entry != nil {
			s.Labels = b.labels(entry, &f.Signal)
		}
		b.register(m.Name, true, s)
	}
	if m.Selector != nil {
		b.plan.Selectors[m.ID] = m.Selector
	}
	b.plan.Bus.Messages = append(b.plan.Bus.Messages, m)
}

// pages reads the selector. The function returned tells how far apart the
// updates of a signal on a page are.
func (b *builder) pages(v *value, m *traffic.Message, entry *signal.Message) func(page int) time.Duration {
	page := v.get("page")
	if !page.given {
		if entry != nil {
			b.enteredPages(m, entry)
		}
		return func(page int) time.Duration {
			if page == signal.AnyPage {
				return updatePeriod(m)
			}
			return updatePeriod(m) * time.Duration(max(1, len(m.Pages)))
		}
	}
	m.Selector = &signal.Selector{Start: page.get("start").int(), Bits: page.get("bits").int(), BigEndian: page.get("order").is("big")}
	list := page.get("pages")
	for _, p := range list.kids {
		if !p.bad && p.int() >= 1<<m.Selector.Bits {
			b.contradiction(fmt.Sprintf("page %d does not fit a selector of %s", p.int(), count(m.Selector.Bits, "bit")), "", p, page.get("bits"))
		}
		m.Pages = append(m.Pages, p.int())
	}
	if len(m.Pages) == 0 && !b.hasCapture {
		b.contradiction("a paged message has no pages", "give pages: [0, 1, ...]", list)
	}
	counts := map[int]int{}
	for _, p := range m.Pages {
		counts[p]++
	}
	return func(p int) time.Duration {
		if p == signal.AnyPage || counts[p] == 0 {
			return updatePeriod(m)
		}
		return updatePeriod(m) * time.Duration(len(m.Pages)) / time.Duration(counts[p])
	}
}

// fields reads the signals of a message and checks where they lie, each against
// those before it, so that a mistake is reported at the later one.
func (b *builder) fields(v *value, m *traffic.Message, entry *signal.Message) {
	known := map[string]bool{}
	if m.Selector != nil {
		for _, text := range layoutMistakes(m.Length, nil, m.Selector) {
			known[text] = true
			b.contradiction(text, "", v.get("page"), v.get("length"))
		}
	}
	var defs []signal.Definition
	for _, s := range v.get("signals").kids {
		from := b.fillSignal(s, entry)
		d := b.definition(s, m)
		law := b.law(s.get("value"), d)
		if from != nil && !s.get("value").given {
			law = wander(from)
		}
		m.Fields = append(m.Fields, traffic.Field{Signal: d, Value: law})
		if anyBad(s.get("start"), s.get("bits"), s.get("page"), v.get("length")) {
			continue
		}
		defs = append(defs, d)
		for _, text := range layoutMistakes(m.Length, defs, m.Selector) {
			if !known[text] {
				known[text] = true
				b.contradiction(strings.TrimPrefix(text, fmt.Sprintf("signal %q: ", d.Name)), "", s)
			}
		}
	}
	if entry != nil {
		b.moreFields(v, m, entry, defs)
	}
}

// layoutMistakes returns what is wrong with where signals lie, one text each.
func layoutMistakes(length int, defs []signal.Definition, sel *signal.Selector) []string {
	return flatten(signal.CheckLayout(length, defs, sel))
}

// flatten takes an error of several apart.
func flatten(err error) []string {
	if err == nil {
		return nil
	}
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		var out []string
		for _, e := range many.Unwrap() {
			out = append(out, flatten(e)...)
		}
		return out
	}
	return []string{err.Error()}
}

func (b *builder) definition(v *value, m *traffic.Message) signal.Definition {
	d := signal.Definition{
		Name: v.name, Unit: v.get("unit").str(), Start: v.get("start").int(), Bits: v.get("bits").int(),
		BigEndian: v.get("order").is("big"), Signed: v.get("signed").truth(), Float: v.get("float").truth(),
		Scale: v.get("scale").float(), Offset: v.get("offset").float(), Page: signal.AnyPage,
	}
	page := v.get("page")
	if page.is("any") {
		return d
	}
	d.Page = page.int()
	if m.Selector != nil && !page.bad && !slices.Contains(m.Pages, d.Page) && len(m.Pages) > 0 {
		b.contradiction(fmt.Sprintf("page %d is never sent: the pages are %s", d.Page, strings.Trim(fmt.Sprint(m.Pages), "[]")), "", page)
	}
	return d
}

func (b *builder) filler(v *value) {
	m := b.timing(v)
	for _, run := range v.get("ids").kids {
		if run.bad {
			continue
		}
		r := run.identRun()
		for id := r.from; ; id++ {
			m.ID, m.Name = id, "filler-"+id.String()
			if !b.claim(id, run) {
				break
			}
			b.plan.Bus.Messages = append(b.plan.Bus.Messages, m)
			if id == r.to {
				break
			}
		}
	}
	if len(v.get("ids").kids) == 0 {
		b.contradiction("a filler without identifiers", "", v.get("ids"))
	}
}
