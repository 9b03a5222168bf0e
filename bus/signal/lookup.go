package signal

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// place is a signal of a database.
type place struct{ message, signal int32 }

// maxCandidates are named in an error; how many more there are is said.
const maxCandidates = 12

// Signal finds a signal by its name alone, if there is one of that name, or by
// Message.Signal. In place of the message's name its identifier in hex may stand,
// and after the signal @ and a value of the selector on whose branch it lies:
// 18FEF100.Speed, Sprayer.Pressure@3. Upper and lower case are different. The
// error of a name that stands for several signals lists them in such words, and
// that of an unknown one names the nearest.
func (db *Database) Signal(name string) (m *Message, signal int, err error) {
	found := db.find(name)
	switch len(found) {
	case 1:
		return &db.Messages[found[0].message], int(found[0].signal), nil
	case 0:
		return nil, 0, db.unknown(name)
	}
	return nil, 0, fmt.Errorf("signal %s stands for several: %s", excerpt(name), db.list(found))
}

// find returns all signals that the name stands for. Names may hold dots, so that
// every dot may be the one after the message.
func (db *Database) find(name string) []place {
	if all := db.byName[name]; len(all) > 0 {
		return all
	}
	signal, value, onBranch := strings.Cut(name, "@")
	raw, err := strconv.ParseUint(value, 10, 64)
	if onBranch && err != nil {
		return nil
	}
	keep := func(at place, message string) bool {
		m := &db.Messages[at.message]
		s := &m.Signals[at.signal]
		if message != "" && m.Name != message && !strings.EqualFold(m.ID.String(), message) {
			return false
		}
		return !onBranch || s.Parent != NoParent && contains(s.Values, raw)
	}
	var found []place
	for _, at := range db.byName[signal] {
		if keep(at, "") {
			found = append(found, at)
		}
	}
	for dot := range len(signal) {
		if signal[dot] != '.' || dot == 0 {
			continue
		}
		for _, at := range db.byName[signal[dot+1:]] {
			if keep(at, signal[:dot]) && !slices.Contains(found, at) {
				found = append(found, at)
			}
		}
	}
	return found
}

// FullName returns the shortest name by which [Database.Signal] finds exactly this
// signal, of the form Message.Signal, or that form where there is none.
func (db *Database) FullName(m *Message, signal int) string {
	s := &m.Signals[signal]
	branch := ""
	if s.Parent != NoParent {
		branch = fmt.Sprintf("@%d", s.Values[0].Low)
	}
	plain := m.Name + "." + s.Name
	for _, name := range []string{plain, plain + branch, m.ID.String() + "." + s.Name, m.ID.String() + "." + s.Name + branch} {
		if len(db.find(name)) == 1 {
			return name
		}
	}
	return plain
}

func (db *Database) list(found []place) string {
	var names []string
	for _, at := range found[:min(len(found), maxCandidates)] {
		name := db.FullName(&db.Messages[at.message], int(at.signal))
		if slices.Contains(names, name) {
			name += fmt.Sprintf(" (line %d)", db.Messages[at.message].Signals[at.signal].Line)
		}
		names = append(names, name)
	}
	text := strings.Join(names, ", ")
	if more := len(found) - len(names); more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

// unknown says that there is no such signal, and which comes nearest.
func (db *Database) unknown(name string) error {
	text := fmt.Sprintf("signal %s is not in the database %s", excerpt(name), db.Name)
	if len(db.byName) == 0 {
		return fmt.Errorf("%s: it has no signals", text)
	}
	wanted := strings.ToLower(name)
	if utf8.RuneCountInString(wanted) > longestName {
		return fmt.Errorf("%s", text)
	}
	near, least := "", math.MaxInt
	try := func(candidate string) {
		if d := levenshtein.ComputeDistance(wanted, strings.ToLower(candidate)); d < least {
			near, least = candidate, d
		}
	}
	for i := range db.Messages {
		m := &db.Messages[i]
		for j := range m.Signals {
			s := &m.Signals[j]
			if len(s.Name) > longestName || len(m.Name) > longestName {
				continue
			}
			try(s.Name)
			if strings.Contains(wanted, ".") {
				try(m.Name + "." + s.Name)
			}
		}
	}
	if near == "" || least > max(2, utf8.RuneCountInString(wanted)/3) {
		return fmt.Errorf("%s", text)
	}
	return fmt.Errorf("%s: did you mean %s?", text, near)
}
