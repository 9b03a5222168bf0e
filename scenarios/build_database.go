package scenarios

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// database is the signal database of a scenario while it is built.
type database struct {
	*signal.Database
	at    *value                     // the file's key
	taken map[*signal.Message]bool   // said by a message of the scenario, or entered already
	paged map[*signal.Message]layout // worked out once for each message
	// refused holds, by the names that a display might use, why a signal of the
	// database cannot be simulated.
	refused map[string]string
}

// layout is what a message's data look like to the simulator.
type layout struct {
	selector *signal.Selector
	fields   []field
}

// field is a signal of the database that the simulator can follow.
type field struct {
	definition signal.Definition
	signal     *signal.MessageSignal
}

// openDatabase reads the signal database of the scenario, if it has one.
func (b *builder) openDatabase(v *value) {
	file, groups := v.get("file"), v.get("groups")
	if file.is("none") || file.bad {
		for _, k := range []*value{groups, v.get("sends")} {
			b.besides(k, file, "has no effect without a signal database", "give file: mine.dbc or the like")
		}
		return
	}
	db, name, mistakes, err := readDatabase(file)
	if err != nil {
		b.badDatabase(file, name, mistakes, err)
		return
	}
	db.ByGroup = groups.is("all")
	b.database = &database{Database: db, at: file, taken: map[*signal.Message]bool{}, paged: map[*signal.Message]layout{}, refused: map[string]string{}}
	b.plan.Bus.Database = db
	if n := len(mistakes); n > 0 {
		text := fmt.Sprintf("%s: %s in the signal database", name, count(n, "mistake"))
		for _, m := range mistakes[:min(n, shownMistakes)] {
			text += "\n  " + m.Error()
		}
		if n > shownMistakes {
			text += fmt.Sprintf("\n  and %d more", n-shownMistakes)
		}
		b.warn("%s", text)
	}
}

// shownMistakes is how many mistakes of a signal database are shown.
const shownMistakes = 5

// readDatabase reads a built-in database or a file.
func readDatabase(file *value) (db *signal.Database, name string, mistakes []signal.Mistake, err error) {
	name = file.str()
	if text, err := builtins.ReadFile("builtin/" + name + ".dbc"); err == nil {
		db, mistakes = signal.ParseDatabase(name, text)
		return db, name, mistakes, nil
	}
	name = file.fileAt()
	db, mistakes, err = signal.ReadDatabase(name)
	return db, name, mistakes, err
}

// badDatabase reports a file that is no signal database.
func (b *builder) badDatabase(file *value, path string, mistakes []signal.Mistake, err error) {
	found := quote(file.str())
	if path != file.str() {
		found += " (" + path + ")"
	}
	hint := ""
	switch text, read := os.ReadFile(path); {
	case errors.Is(err, fs.ErrNotExist):
		found += ": no such file"
		hint = didYouMean(file.str(), databaseNames())
	case read != nil || len(text) == 0 && len(mistakes) == 0:
		found += ": " + strings.TrimPrefix(strings.TrimPrefix(err.Error(), "signal database: "), path+" ")
	case len(text) == 0:
		found += ": it is empty"
	case isCapture(text):
		found += ": it is a capture; bus.capture takes one"
	default:
		found += ": it has no message (BO_)"
		for _, m := range mistakes[:min(len(mistakes), 3)] {
			hint += m.Error() + "\n        "
		}
		hint = strings.TrimRight(hint, "\n ")
	}
	b.mistakes = append(b.mistakes, file.at.mistake(file.path, found, "a signal database in the .dbc form or a built-in one", hint))
}

// isCapture reports whether a text is a capture.
func isCapture(text []byte) bool {
	_, err := capture.NewReader("", bytes.NewReader(text), capture.Options{})
	return err == nil
}

// databaseNames lists the built-in databases.
func databaseNames() []string {
	entries, err := builtins.ReadDir("builtin")
	if err != nil {
		panic("scenarios: " + err.Error())
	}
	var out []string
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".dbc"); ok {
			out = append(out, name)
		}
	}
	return out
}

// entryOf finds the database's entry for a message of the scenario: by its
// identifier, or by its name where the scenario gives none.
func (b *builder) entryOf(v *value) *signal.Message {
	if b.database == nil {
		return nil
	}
	id := v.get("id")
	for i := range b.database.Messages {
		m := &b.database.Messages[i]
		if id.given && m.ID == id.id() || !id.given && m.Name == v.name {
			b.database.taken[m] = true
			return m
		}
	}
	return nil
}

// fill gives a value that the scenario leaves out.
func (v *value) fill(parsed any) {
	if !v.given && !v.bad {
		v.parsed, v.filled = parsed, true
	}
}

// fillMessage takes from the database what the scenario leaves out of a message.
func (b *builder) fillMessage(v *value, entry *signal.Message) {
	if entry == nil {
		if id := v.get("id"); !id.given && !id.bad && b.database != nil {
			b.mistakes = append(b.mistakes, v.keyAt.mistake(id.path, "nothing", identExpected, "the signal database has no message of the name "+v.name))
			id.bad = true
		}
		return
	}
	v.get("id").fill(entry.ID)
	v.get("length").fill(int64(frameLength(entry)))
	if entry.FD {
		v.get("format").fill("fd")
	}
	if entry.CycleTime > 0 && !v.get("events").given {
		v.get("period").fill(entry.CycleTime)
	}
	if entry.Sender != "" {
		v.get("node").fill(entry.Sender)
	}
}

// frameLength is the length of the frames of a message: databases may state one
// that no frame has.
func frameLength(m *signal.Message) int {
	flags := bus.Flags(0)
	if m.FD {
		flags = bus.FD
	}
	n, _ := bus.PaddedLength(min(max(m.Length, 0), bus.MaxLength), flags)
	return n
}

// fillSignal takes from the database what the scenario leaves out of a signal.
func (b *builder) fillSignal(v *value, entry *signal.Message) *signal.MessageSignal {
	start, bits := v.get("start"), v.get("bits")
	if entry != nil {
		for i := range entry.Signals {
			s := &entry.Signals[i]
			if s.Name != v.name || start.given && start.int() != s.Start {
				continue
			}
			d := s.Definition
			order := "little"
			if d.BigEndian {
				order = "big"
			}
			for name, parsed := range map[string]any{"start": int64(d.Start), "bits": int64(d.Bits), "order": order, "signed": d.Signed,
				"float": d.Float, "scale": d.Scale, "offset": d.Offset, "unit": d.Unit} {
				v.get(name).fill(parsed)
			}
			if d.Page != signal.AnyPage {
				v.get("page").fill(int64(d.Page))
			}
			return s
		}
	}
	for _, k := range []*value{start, bits} {
		if b.database != nil && !k.given && !k.bad {
			b.mistakes = append(b.mistakes, v.keyAt.mistake(k.path, "nothing", wantOf(k.key), "the signal database has no signal "+v.name+" in this message"))
			k.bad = true
		}
	}
	return nil
}

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
		for _, id := range ids {
			if len(b.plan.Bus.Messages) < maxMessages && b.messageAt[id] == nil {
				b.enter(m, id, len(ids) > 1 && id != m.ID, 0)
			}
		}
	}
}

// cyclic enters the messages of the database that have a cycle time into the
// message set.
func (b *builder) cyclic(v *value) {
	d := b.database
	sends := v.get("database").get("sends")
	own := len(b.plan.Bus.Messages) > 0
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
				d.refuse(m, m.Signals[j].Name, fmt.Sprintf("its message %s has no cycle time: give bus.messages.%s.period, with bus.database.sends: cyclic for the others", m.Name, m.Name))
			}
			continue
		}
		if len(b.plan.Bus.Messages) == maxMessages {
			b.contradiction(fmt.Sprintf("more than %d messages with a cycle time", maxMessages), "", d.at)
			return
		}
		b.enter(m, m.ID, false, m.CycleTime)
		sent++
	}
	if sent == 0 && !own {
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
// period is 0. apart marks one of several senders, told by its identifier.
func (b *builder) enter(m *signal.Message, id bus.ID, apart bool, period time.Duration) {
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
	name := m.Name
	if apart {
		name = id.String()
	}
	for i := range out.Fields {
		f := &out.Fields[i]
		s := Shown{Signal: f.Signal, ID: id, Period: period, Labels: b.labels(m, &f.Signal)}
		if f.Signal.Page != signal.AnyPage {
			s.Period *= time.Duration(len(out.Pages))
		}
		b.register(name, s)
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
