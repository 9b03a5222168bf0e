package signal

import (
	"math"
	"time"

	"stalegauge/bus"
)

// Database is what a signal database says: messages, their signals, and how they
// are found. [ParseDatabase] makes one. It must not be changed afterwards, except
// for ByGroup; all its methods may be called by several goroutines.
type Database struct {
	Name        string // of the file, as handed in
	Version     string
	Comment     string
	Nodes       []string // names of the controllers on the bus
	Messages    []Message
	ValueTables []ValueTable
	// ByGroup lets [Database.Match] match every 29-bit message by its parameter
	// group. Without it that holds for the messages that say so themselves.
	ByGroup bool
	Lines   Lines
	Skipped []Count // entries without effect here, by kind in order of the alphabet

	byID    map[bus.ID]int32
	byGroup map[uint32][]int32
	byName  map[string][]place
}

// Lines counts the lines of the file. Each is counted once, so that the sum is
// their number: nothing is lost without being said.
type Lines struct {
	Read    int // understood and used
	Skipped int // understood and of no use here, see Database.Skipped
	Bad     int // skipped with a [Mistake], wholly or in part
	Remarks int // begin with //
	Blank   int
}

// Total returns the number of lines of the file.
func (l Lines) Total() int { return l.Read + l.Skipped + l.Bad + l.Remarks + l.Blank }

// Count says how many entries of a kind were passed over.
type Count struct {
	Kind string
	N    int
}

// ValueTable is a list of labels with a name.
type ValueTable struct {
	Name   string
	Labels []Label // in the order of the file
}

// Message is one message of a database.
type Message struct {
	Name string
	ID   bus.ID
	// Length is the length in bytes that the database states. It may be none that
	// a frame can have, which is warned about.
	Length int
	FD     bool // flexible data rate format: said by the database, or longer than 8 bytes
	// CycleTime is the period of transmission, 0 where the database has none.
	CycleTime        time.Duration
	CycleTimeDefault bool // the cycle time is the database's default, not the message's own
	ByGroup          bool // matched by parameter group, since the database says so
	Sender           string
	Senders          []string // all nodes that send it, Sender first
	Comment          string
	Signals          []MessageSignal
	Line             int // in the file, from 1

	at int // place of its entry in the text
}

// NoParent is the Parent of a signal that lies on no branch.
const NoParent = -1

// MessageSignal is a signal of a message, with what only a database knows of it.
//
// Whether data carry the signal is said by [Message.Present]. The Page of its
// Definition is right where [Message.Paged] can express the branch as a page,
// and otherwise a page that no selector carries.
type MessageSignal struct {
	Definition
	IsSelector bool         // selects the branches that name it as Parent
	Parent     int          // index into Signals of the selector of its branch, or NoParent
	Values     []ValueRange // raw values of the parent on which the signal is present
	// Absent marks a signal that no data carry: it or a selector of its branch
	// does not fit the message, its branch has no selector, or its selectors go in
	// a circle. It may then be one
	// that [Definition.Check] refuses.
	Absent     bool
	Limited    bool    // has Min and Max
	Min, Max   float64 // physical limits; values are never clamped to them
	HasInitial bool
	Initial    float64 // physical value before the first reception
	Labels     []Label // in the order of the file
	Receivers  []string
	Comment    string
	Line       int // in the file, from 1

	branch    uint64 // what the signal's own line says: value of the selector
	hasBranch bool
	at        int // place of its entry in the text
	byRaw     map[uint64]int32
}

// ValueRange is a range of raw values of a selector, both ends in it.
type ValueRange struct {
	Low, High uint64
}

// Label is the name of one value of a signal.
type Label struct {
	Value float64 // raw number, signed or not as the signal is
	Text  string
	raw   uint64
	ok    bool // raw holds it exactly
}

// Label returns the name of the value with these raw bits, and false where it has
// none. Of two names of a value the first counts.
func (s *MessageSignal) Label(raw uint64) (text string, ok bool) {
	at, ok := s.byRaw[raw]
	if !ok {
		return "", false
	}
	return s.Labels[at].Text, true
}

// Outside reports whether a physical value lies outside the signal's limits; one
// that is not a number does. Limits are written in decimal: a difference in the
// last digits of a floating point number is none.
func (s *MessageSignal) Outside(value float64) bool {
	low, high := s.limits()
	return !(value >= low && value <= high)
}

// limits returns Min and Max, with room for the rounding of floating point
// numbers, or the infinities where there are none.
func (s *MessageSignal) limits() (low, high float64) {
	if !s.Limited {
		return math.Inf(-1), math.Inf(1)
	}
	const rounding = 1e-12
	room := rounding * max(math.Abs(s.Min), math.Abs(s.Max), math.Abs(s.Offset))
	return s.Min - room, s.Max + room
}
