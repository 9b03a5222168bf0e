package scenarios

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// layoutOf works out what the simulator can follow of a message. What it cannot
// is refused when somebody wants to see it.
func (b *builder) layoutOf(m *signal.Message) layout {
	d := b.database
	if l, done := d.paged[m]; done {
		return l
	}
	selector, definitions, err := m.Paged()
	l := layout{selector: selector}
	known := map[string]bool{}
	for _, definition := range definitions {
		for i := range m.Signals {
			if s := &m.Signals[i]; s.Definition == definition {
				l.fields = append(l.fields, field{definition, s})
				known[s.Name] = true
				break
			}
		}
	}
	if err != nil {
		for _, text := range flatten(err) {
			_, text, _ = strings.Cut(text, ", signal ")
			name, why, _ := strings.Cut(text, ": ")
			if !known[name] {
				d.refuse(m, name, why)
			}
		}
	}
	d.paged[m] = l
	return l
}

// refuse notes why a signal cannot be simulated.
func (d *database) refuse(m *signal.Message, name, why string) {
	d.refused[name], d.refused[m.Name+"."+name] = why, why
}

// databaseSelector returns the page selector of an identifier that the database
// knows.
func (b *builder) databaseSelector(id bus.ID) *signal.Selector {
	if b.database == nil {
		return nil
	}
	m, ok := b.database.Match(id)
	if !ok || b.database.taken[m] {
		return nil
	}
	return b.layoutOf(m).selector
}

// streams enters the messages of the database beside a capture, each with the
// identifiers under which the capture has it: one, or several senders of a
// parameter group.
func (b *builder) streams() {
	d, c := b.database, b.plan.Bus.Capture
	if d == nil {
		return
	}
	carried := map[*signal.Message][]bus.ID{}
	for _, s := range c.Summary.IDs {
		if m, ok := d.Match(s.ID); ok && b.messageAt[s.ID] == nil {
			carried[m] = append(carried[m], s.ID)
		}
	}
	for i := range d.Messages {
		m := &d.Messages[i]
		if d.taken[m] {
			continue
		}
		ids := carried[m]
		if len(ids) == 0 {
			ids = []bus.ID{m.ID}
		}
		own := slices.Contains(ids, m.ID)
		for _, id := range ids {
			if len(b.plan.Bus.Messages) < maxMessages && b.messageAt[id] == nil {
				names := []string{m.Name}
				if len(ids) > 1 && id != m.ID {
					names = []string{id.String()}
				}
				if len(ids) > 1 && !own { // the plain name stands for several, which whoever uses it is told
					names = append(names, "")
				}
				b.enter(m, id, names, 0)
			}
		}
		if len(ids) > 1 && own {
			b.warn("%s comes from %d senders: its name means %s, the others go by their identifiers, such as %s.SIGNAL", m.Name, len(ids), m.ID, other(ids, m.ID))
		}
	}
}

// other returns an identifier that is not this one.
func other(ids []bus.ID, id bus.ID) bus.ID {
	return ids[slices.IndexFunc(ids, func(x bus.ID) bool { return x != id })]
}

// cyclic enters the messages of the database that have a cycle time into the
// message set. A message of the scenario that gives no identifier changes one of
// the database; one that does belongs to a set of the scenario's own.
func (b *builder) cyclic(v *value) {
	d := b.database
	sends := v.get("database").get("sends")
	own := len(v.get("filler").kids) > 0 || slices.ContainsFunc(v.get("messages").kids, func(m *value) bool { return m.get("id").given })
	if d == nil || sends.is("none") || sends.is("auto") && own {
		return
	}
	sent, silent := 0, 0
	for i := range d.Messages {
		m := &d.Messages[i]
		if d.taken[m] || b.messageAt[m.ID] != nil {
			continue
		}
		if m.CycleTime <= 0 {
			silent++
			for j := range m.Signals {
				d.refuse(m, m.Signals[j].Name, fmt.Sprintf("its message %s has no cycle time: give bus.messages.%s.period", m.Name, m.Name))
			}
			continue
		}
		if len(b.plan.Bus.Messages) == maxMessages {
			b.contradiction(fmt.Sprintf("more than %d messages with a cycle time", maxMessages), "", d.at)
			return
		}
		b.enter(m, m.ID, []string{m.Name}, m.CycleTime)
		sent++
	}
	if sent == 0 && len(b.plan.Bus.Messages) == 0 {
		b.contradiction(fmt.Sprintf("%s without a cycle time in the signal database, and no other message on the bus", count(silent, "message")),
			"give bus.messages with periods, or bus.capture", d.at)
		return
	}
	b.assumed = append(b.assumed, Assumption{
		Key: "bus.messages", Value: count(sent, "message"), Origin: fromDefault.String(),
		Reason: fmt.Sprintf("cycle times of the signal database %s (%d without one not sent); values wander between their limits", d.at.str(), silent),
	})
}

// enter puts a message of the database on the bus, or beside a capture where its
// period is 0. names are those that may stand before its signals' names: "" is none
// at all, which its own name brings along.
func (b *builder) enter(m *signal.Message, id bus.ID, names []string, period time.Duration) {
	l := b.layoutOf(m)
	b.messageAt[id] = b.database.at
	out := traffic.Message{Name: m.Name, ID: id, Length: frameLength(m), Period: period, Node: m.Sender, Selector: l.selector}
	if m.FD {
		out.Flags = bus.FD
	}
	pages := map[int]bool{}
	var definitions []signal.Definition
	for _, f := range l.fields {
		if period > 0 { // what is sent must be possible to write
			if err := signal.CheckLayout(out.Length, append(definitions, f.definition), l.selector); err != nil {
				b.database.refuse(m, f.definition.Name, flatten(err)[0])
				continue
			}
			definitions = append(definitions, f.definition)
		}
		out.Fields = append(out.Fields, traffic.Field{Signal: f.definition, Value: wander(f.signal)})
		if f.definition.Page != signal.AnyPage {
			pages[f.definition.Page] = true
		}
	}
	if l.selector != nil {
		b.plan.Selectors[id] = l.selector
		out.Pages = slices.Sorted(maps.Keys(pages))
		if len(out.Pages) == 0 {
			out.Pages = []int{0}
		}
	}
	for i := range out.Fields {
		f := &out.Fields[i]
		s := Shown{Signal: f.Signal, ID: id, Period: period, Labels: b.labels(m, &f.Signal)}
		if f.Signal.Page != signal.AnyPage {
			s.Period *= time.Duration(len(out.Pages))
		}
		for _, name := range names {
			b.register(name, name == m.Name, s)
		}
	}
	b.plan.Bus.Messages = append(b.plan.Bus.Messages, out)
}

// labels returns the value labels of a signal.
func (b *builder) labels(m *signal.Message, d *signal.Definition) []signal.Label {
	for i := range m.Signals {
		if s := &m.Signals[i]; s.Definition == *d {
			return s.Labels
		}
	}
	return nil
}

// wander is the law of a value of which nobody says how it changes: a walk between
// the signal's limits in steps of up to a hundredth, or a constant where there
// are none.
func wander(s *signal.MessageSignal) traffic.Value {
	least, most := s.Range()
	rest := min(max(0, least), most)
	if s.HasInitial && s.Initial >= least && s.Initial <= most {
		rest = s.Initial
	}
	low, high := max(least, s.Min), min(most, s.Max)
	if !s.Limited || s.IsSelector || s.Bits == 1 || !(low < high) {
		return traffic.Value{Kind: traffic.Constant, Low: rest}
	}
	return traffic.Value{Kind: traffic.RandomWalk, Low: low, High: high, Step: (high - low) / 100}
}

// enteredPages takes selector and pages of a message from the database.
func (b *builder) enteredPages(m *traffic.Message, entry *signal.Message) {
	l := b.layoutOf(entry)
	if l.selector == nil {
		return
	}
	pages := map[int]bool{}
	for _, f := range l.fields {
		if f.definition.Page != signal.AnyPage {
			pages[f.definition.Page] = true
		}
	}
	m.Selector, m.Pages = l.selector, slices.Sorted(maps.Keys(pages))
}

// moreFields adds the signals of the database that the scenario does not name.
// Those that do not go with the scenario's own are refused when somebody wants to
// see them.
func (b *builder) moreFields(v *value, m *traffic.Message, entry *signal.Message, definitions []signal.Definition) {
	if m.Remote || v.get("length").bad {
		return
	}
	named := map[string]bool{}
	for _, s := range v.get("signals").kids {
		named[s.name] = true
	}
	for _, f := range b.layoutOf(entry).fields {
		if named[f.definition.Name] {
			continue
		}
		if err := signal.CheckLayout(m.Length, append(definitions, f.definition), m.Selector); err != nil && !b.hasCapture {
			b.database.refuse(entry, f.definition.Name, flatten(err)[0])
			continue
		}
		definitions = append(definitions, f.definition)
		m.Fields = append(m.Fields, traffic.Field{Signal: f.definition, Value: wander(f.signal)})
	}
}
