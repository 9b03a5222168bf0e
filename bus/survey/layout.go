package survey

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// Layout is what is known beforehand of a message: its name, its period, and
// where its signals lie.
type Layout struct {
	Name       string
	ID         bus.ID
	Length     int
	FD         bool
	Period     time.Duration // 0 = unknown, or on events
	Selector   *signal.Selector
	Signals    []signal.Definition // in the order of the source
	Unpaged    []string            // signals that one selector cannot express, why
	fromSet    bool
	database   *signal.Message
	decoder    *signal.Decoder
	codecs     []signal.Codec
	pageCodec  signal.Codec
	hasUnpaged bool
}

// Layouts are the messages that a survey knows beforehand.
type Layouts struct {
	All   []Layout
	match func(id bus.ID) int // index into All, -1 = none
}

// OfDatabase returns the layouts of a signal database.
func OfDatabase(db *signal.Database) Layouts {
	l := Layouts{}
	index := map[*signal.Message]int{}
	for i := range db.Messages {
		m := &db.Messages[i]
		index[m] = i
		layout := Layout{Name: m.Name, ID: m.ID, Length: m.Length, FD: m.FD, Period: m.CycleTime,
			database: m, decoder: signal.NewDecoder(m)}
		selector, _, err := m.Paged()
		layout.Selector, layout.hasUnpaged = selector, err != nil
		for j := range m.Signals {
			layout.Signals = append(layout.Signals, m.Signals[j].Definition)
		}
		layout.Unpaged = lines(err)
		l.All = append(l.All, layout)
	}
	l.match = func(id bus.ID) int {
		m, ok := db.Match(id)
		if !ok {
			return -1
		}
		return index[m]
	}
	return l
}

// lines takes an error of several apart.
func lines(err error) (all []string) {
	if err == nil {
		return nil
	}
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			all = append(all, lines(e)...)
		}
		return all
	}
	return []string{err.Error()}
}

// OfMessages returns the layouts of a message set.
func OfMessages(messages []traffic.Message) Layouts {
	l := Layouts{}
	index := map[bus.ID]int{}
	for i := range messages {
		m := &messages[i]
		if m.Remote {
			continue
		}
		layout := Layout{Name: m.Name, ID: m.ID, Length: m.Length, FD: m.Flags&bus.FD != 0, Period: m.Period, Selector: m.Selector, fromSet: true}
		for j := range m.Fields {
			layout.Signals = append(layout.Signals, m.Fields[j].Signal)
			layout.codecs = append(layout.codecs, signal.Compile(&m.Fields[j].Signal))
		}
		if m.Selector != nil {
			layout.pageCodec = signal.CompileSelector(m.Selector)
		}
		index[m.ID] = len(l.All)
		l.All = append(l.All, layout)
	}
	l.match = func(id bus.ID) int {
		if i, ok := index[id]; ok {
			return i
		}
		return -1
	}
	return l
}

func (l *Layouts) find(id bus.ID) int {
	if l.match == nil {
		return -1
	}
	return l.match(id)
}

// paged reports whether frames of the message have pages.
func (l *Layout) paged() bool {
	if l.database != nil {
		bits, ok := l.database.PageBits()
		return ok && bits > 0
	}
	return l.Selector != nil
}

func (l *Layout) page(data []byte) (int, bool) {
	if l.database != nil {
		return l.database.PageOf(data)
	}
	raw, ok := l.pageCodec.Raw(data)
	return int(raw), ok
}

// decode appends the signals that data carry.
func (l *Layout) decode(dst []signal.Decoded, data []byte) []signal.Decoded {
	if l.decoder != nil {
		return l.decoder.Append(dst, data)
	}
	page, paged := signal.AnyPage, false
	if l.Selector != nil {
		page, paged = l.page(data)
	}
	for i := range l.codecs {
		if on := l.Signals[i].Page; on != signal.AnyPage && !(paged && on == page) {
			continue
		}
		if raw, ok := l.codecs[i].Raw(data); ok {
			dst = append(dst, signal.Decoded{Signal: i, Raw: raw, Value: l.codecs[i].Value(raw)})
		}
	}
	return dst
}
