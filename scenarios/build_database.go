package scenarios

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
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
	if b.hasCapture {
		b.besides(v.get("sends"), b.root.get("bus").get("capture").get("file"), "has no effect beside bus.capture", "the capture is all the traffic")
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
	case otherKind(text) != "":
		found += ": " + otherKind(text)
	default:
		found += ": it has no message (BO_)"
		for _, m := range mistakes[:min(len(mistakes), 3)] {
			hint += m.Error() + "\n        "
		}
		hint = strings.TrimRight(hint, "\n ")
	}
	b.mistakes = append(b.mistakes, file.at.mistake(file.path, found, "a signal database in the .dbc form or a built-in one", hint))
}

// otherKind tells what a file is that is no database, "" = hard to say.
func otherKind(text []byte) string {
	_, err := capture.NewReader("", bytes.NewReader(text), capture.Options{})
	var not *capture.FormatError
	switch {
	case err == nil:
		return "it is a capture; bus.capture takes one"
	case errors.As(err, &not) && strings.HasPrefix(not.Hint, "it is ") && !strings.Contains(not.Hint, "signal database"):
		return not.Hint
	}
	return ""
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
	if b.hasCapture {
		return
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
