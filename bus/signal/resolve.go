package signal

import (
	"fmt"
	"math"

	"stalegauge/bus"
)

// resolver gives the messages what later entries say of them.
type resolver struct {
	*parser
	messages map[bus.ID][]int32
	signals  map[signalKey][]int32
}

type signalKey struct {
	message int32
	name    string
}

// resolve applies what was kept. The order matters: what a signal's bits mean
// comes before what refers to their values.
func (p *parser) resolve() {
	r := resolver{p, make(map[bus.ID][]int32, len(p.db.Messages)), map[signalKey][]int32{}}
	for i := range p.db.Messages {
		m := &p.db.Messages[i]
		r.messages[m.ID] = append(r.messages[m.ID], int32(i))
	}
	if len(p.links)+len(p.values)+len(p.comments)+len(p.forms)+len(p.given) > 0 {
		r.nameSignals()
	}
	for _, f := range p.forms {
		r.each(f.reference, func(_ *Message, s *MessageSignal) { r.form(f, s) })
	}
	r.attributes()
	r.multiplex()
	for i := range p.db.Messages {
		r.fit(&p.db.Messages[i])
		p.db.Messages[i].spreadAbsence()
		p.db.Messages[i].setPages()
	}
	r.tables()
	for _, c := range p.comments {
		r.each(c.reference, func(m *Message, s *MessageSignal) {
			if s != nil {
				s.Comment = c.text
				return
			}
			m.Comment = c.text
		})
	}
	for _, t := range p.senders {
		r.each(t.reference, func(m *Message, _ *MessageSignal) { m.addSenders(t.names) })
	}
	r.duplicates()
}

// nameSignals makes the table of signals. One slice holds the indices of all.
func (r *resolver) nameSignals() {
	n := 0
	for i := range r.db.Messages {
		n += len(r.db.Messages[i].Signals)
	}
	room := make([]int32, n)
	r.signals = make(map[signalKey][]int32, n)
	for i := range r.db.Messages {
		signals := r.db.Messages[i].Signals
		for j := range signals {
			key := signalKey{int32(i), signals[j].Name}
			if same := r.signals[key]; same != nil {
				r.signals[key] = append(same, int32(j))
				continue
			}
			room[0] = int32(j)
			r.signals[key] = room[:1:1]
			room = room[1:]
		}
	}
}

// mostSame messages of one identifier, and signals of one name in a message, are
// given what an entry says. More are no database, and would cost the square.
const mostSame = 256

// each calls do for every message or signal that the reference means; there can be
// several of the same identifier and name. It warns if there is none.
func (r *resolver) each(to reference, do func(*Message, *MessageSignal)) {
	if to.number == 0xC0000000 || to.number == 0x40000000 {
		r.skipped["entry on a signal in the container of unused signals"]++
		return
	}
	id, _ := identifier(to.number)
	messages := r.messages[id]
	if len(messages) > mostSame {
		r.warn(to.at, fmt.Sprintf("%d messages of the identifier %s", len(messages), id), fmt.Sprintf("at most %d", mostSame), "entry used for the first of them")
		messages = messages[:mostSame]
	}
	found := false
	for _, i := range messages {
		m := &r.db.Messages[i]
		if to.signal == "" {
			do(m, nil)
			found = true
			continue
		}
		signals := r.signals[signalKey{i, to.signal}]
		if len(signals) > mostSame {
			r.warn(to.at, fmt.Sprintf("%d signals of the name %s", len(signals), excerpt(to.signal)), fmt.Sprintf("at most %d", mostSame), "entry used for the first of them")
			signals = signals[:mostSame]
		}
		for _, j := range signals {
			do(m, &m.Signals[j])
			found = true
		}
	}
	if found {
		return
	}
	expected := "a message of the database"
	what := fmt.Sprintf("message %d (%s)", to.number, id)
	if len(messages) > 0 {
		what, expected = "the signal "+excerpt(to.signal), "a signal of message "+r.db.Messages[messages[0]].Name
	}
	r.skipped["entry on a message or signal that is not there"]++
	r.warn(to.at, what, expected, "entry skipped")
}

func (r *resolver) form(f formOf, s *MessageSignal) {
	if f.bits == 0 {
		return
	}
	if s.Bits != f.bits {
		r.warn(f.at, fmt.Sprintf("a floating point number of %d bits for signal %s of %d", f.bits, s.Name, s.Bits), "the same width", "signal kept as an integer")
		return
	}
	s.Float = true
}

// fit marks signals that no data of their message can carry.
func (r *resolver) fit(m *Message) {
	for i := range m.Signals {
		s := &m.Signals[i]
		if bus.FieldInside(min(m.Length, bus.MaxLength), s.Start, s.Bits, s.BigEndian) {
			continue
		}
		s.Absent = true
		r.warn(s.at, fmt.Sprintf("signal %s with %s from start bit %d", s.Name, bitsText(s.Bits), s.Start),
			fmt.Sprintf("one inside the %d bytes of message %s", m.Length, m.Name), "signal kept, never present")
	}
}

// tables gives the signals their labels.
func (r *resolver) tables() {
	tables := make(map[string][]Label, len(r.db.ValueTables))
	for _, t := range r.db.ValueTables {
		if _, twice := tables[t.Name]; !twice {
			tables[t.Name] = t.Labels
		}
	}
	for _, v := range r.values {
		if v.table != "" {
			labels, ok := tables[v.table]
			if !ok {
				r.warn(v.at, "the value table "+excerpt(v.table), "a table of the database (VAL_TABLE_)", "entry skipped")
				continue
			}
			v.labels = labels
		}
		r.each(v.reference, func(_ *Message, s *MessageSignal) { r.label(v, s) })
	}
}

func (r *resolver) label(v valuesOf, s *MessageSignal) {
	if s.byRaw == nil {
		s.Labels, s.byRaw = v.labels, make(map[uint64]int32, len(v.labels))
	} else {
		s.Labels = append(s.Labels[:len(s.Labels):len(s.Labels)], v.labels...)
	}
	first := len(s.Labels) - len(v.labels)
	for i, l := range v.labels {
		raw, ok := s.rawOf(l)
		if !ok {
			continue // no data can carry it
		}
		if before, twice := s.byRaw[raw]; twice {
			if s.Labels[before].Text != l.Text {
				r.warn(v.at, fmt.Sprintf("two labels of the value %v: %s and %s", l.Value, excerpt(s.Labels[before].Text), excerpt(l.Text)), "one", "the first kept")
			}
			continue
		}
		s.byRaw[raw] = int32(first + i)
	}
}

// rawOf returns the bits of the number of a label. That of a signed signal may be
// written as if it were none.
func (s *MessageSignal) rawOf(l Label) (raw uint64, ok bool) {
	switch {
	case s.Float && s.Bits == 32:
		return uint64(math.Float32bits(float32(l.Value))), float64(float32(l.Value)) == l.Value
	case s.Float:
		return math.Float64bits(l.Value), true
	case !l.ok:
		return 0, false
	}
	raw = l.raw & s.mask()
	extended := uint64(int64(raw<<(64-s.Bits)) >> (64 - s.Bits))
	return raw, raw == l.raw || extended == l.raw && s.Signed
}

func (m *Message) addSenders(names []string) {
	for _, name := range names {
		known := false
		for _, sender := range m.Senders {
			known = known || sender == name
		}
		if !known {
			m.Senders = append(m.Senders, name)
		}
	}
	if m.Sender == "" && len(m.Senders) > 0 {
		m.Sender = m.Senders[0]
	}
}
