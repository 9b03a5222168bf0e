package scenarios

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"stalegauge/bus/traffic"
	"stalegauge/radio"
)

// maxReceivers bounds the displays of a scenario.
const maxReceivers = 256

func (b *builder) receivers(v *value) {
	if len(v.kids) > maxReceivers {
		b.contradiction(fmt.Sprintf("%d receivers, at most %d are simulated", len(v.kids), maxReceivers), "", v)
		return
	}
	weather := b.root.get("weather")
	b.outages(weather.get("outages"))
	b.common(weather.get("common"))
	for _, r := range v.kids {
		b.plan.Receivers = append(b.plan.Receivers, b.receiver(r))
	}
}

func (b *builder) receiver(v *value) Receiver {
	redraw := v.get("redraw")
	every, change := redraw.get("every"), redraw.get("on_change")
	b.oneOnly(every, change)
	r := Receiver{
		Name: v.name, PowerUp: v.get("power_up").time(), Weather: b.weather(v.get("weather")),
		Buffers: v.get("buffers").int(), Copy: v.get("copy").time(), Queue: v.get("queue").int(),
		Handler: v.get("handler").time(), Draw: v.get("draw").time(),
	}
	r.Scanner = b.scanner(v)
	if version := v.get("layout_version"); !version.is("same") {
		r.Foreign = version.int() != int(b.plan.Bridge.Layout.Version)
	}
	if v.get("queue_full").is("drop-oldest") {
		r.QueueFull = QueueDropOldest
	}
	if change.is("none") {
		r.Redraw, r.Phase = every.time(), redraw.get("phase").time()
		change.unused = true
	} else {
		r.MinRedraw = change.time()
		every.unused, redraw.get("phase").unused = true, true
	}
	taken := map[string]string{}
	var written []string
	for _, s := range v.get("shows").kids {
		shown, ok := b.shown(s)
		if !ok {
			continue
		}
		key := fmt.Sprintf("%s.%s@%d", shown.ID, shown.Signal.Name, shown.Signal.Page)
		if first := taken[key]; first != "" {
			b.contradiction("the same signal as "+first, "", s)
			continue
		}
		taken[key] = s.name
		r.Shows = append(r.Shows, shown)
		written = append(written, s.name)
	}
	tellApart(r.Shows, written)
	return r
}

// scanner reads when a receiver of an advertising profile listens, and to which
// channel.
func (b *builder) scanner(v *value) (s radio.Scanner) {
	window, interval := v.get("scan_window"), v.get("scan_interval")
	profile := b.root.get("radio").get("profile")
	for _, k := range []*value{window, interval} {
		b.onlyWith(k, profile, advertisingProfiles()...)
	}
	if b.plan.Radio == nil || window.unused || interval.unused {
		return s
	}
	s.Interval = interval.time()
	if !window.is("interval") {
		s.Window = window.time()
	}
	for _, m := range radioMistakes(s.Check(b.plan.Radio)) {
		b.contradiction(m.Found+" is not possible here: expected "+m.Want, "", v.get(m.Key), window, interval)
		s = radio.Scanner{}
	}
	return s
}

// tellApart gives signals of one name on one display the names that the scenario
// has for them.
func tellApart(shows []Shown, written []string) {
	times := map[string]int{}
	for i := range shows {
		times[shows[i].Signal.Name]++
	}
	for i := range shows {
		if times[shows[i].Signal.Name] > 1 {
			shows[i].Signal.Name = written[i]
		}
	}
}

// shown finds the signal that a display shows.
func (b *builder) shown(v *value) (Shown, bool) {
	found := b.signals[v.name]
	refused := ""
	if b.database != nil {
		refused = b.database.refused[v.name]
	}
	switch {
	case len(found) == 0 && refused != "":
		b.mistakes = append(b.mistakes, v.keyAt.mistake(v.path, "the signal "+quote(v.name)+", which cannot be simulated: "+refused, "another signal", ""))
		return Shown{}, false
	case len(found) == 0:
		expected := "nothing, as no message has signals"
		if len(b.signalList) > 0 {
			expected = "a signal of the bus"
		}
		b.mistakes = append(b.mistakes, v.keyAt.mistake(v.path, "the unknown signal "+quote(v.name), expected, didYouMean(v.name, b.signalList)))
		return Shown{}, false
	case len(found) > 1:
		_, plain, dotted := strings.Cut(v.name, ".")
		if !dotted {
			plain = v.name
		}
		full := map[string]bool{}
		for name, one := range b.signals {
			_, behind, _ := strings.Cut(name, ".")
			if behind, _, _ := strings.Cut(behind, "@"); behind == plain && len(one) == 1 {
				full[name] = true
			}
		}
		b.contradiction(fmt.Sprintf("%d signals of the bus have this name", len(found)), "say which: "+oneOf(sortedNames(slices.Collect(maps.Keys(full)))), v)
		return Shown{}, false
	}
	s := found[0]
	s.Class = b.class(v.get("class"), &s)
	b.limit(v, &s)
	s.Expire, s.FalseAlarms = v.get("expire").time(), v.get("false_alarms").float()*3600
	if s.Expire > 0 {
		s.Marked = map[string]Marked{"grey": MarkedGrey, "blank": MarkedBlank, "last": MarkedLast}[v.get("expired").str()]
	} else if k := v.get("expired"); k.given && v.get("expire").layer() <= k.layer() {
		b.contradiction("has no effect without an expiry", "give expire: 1s or the like", k)
	}
	return s, true
}

// class is how a signal moves, if need be by its law.
func (b *builder) class(v *value, s *Shown) Class {
	for c, w := range classWords {
		if v.is(w) {
			return Class(c)
		}
	}
	for i := range b.plan.Bus.Messages {
		m := &b.plan.Bus.Messages[i]
		for _, f := range m.Fields {
			if m.ID == s.ID && samePlace(&f.Signal, &s.Signal) {
				switch f.Value.Kind {
				case traffic.Pulse:
					return Event
				case traffic.Square:
					return State
				}
			}
		}
	}
	return Cyclic
}

// usual is the share in which a limit must hold where nobody says.
var usual = map[Measure]float64{OfAge: 0.99, OfChange: 0.95, OfFirstPicture: 0.90}

// limit reads what is fresh enough.
func (b *builder) limit(v *value, s *Shown) {
	limit := v.get("limit")
	if limit.bad {
		return
	}
	firm := v.get("firm")
	s.Firm = Firm{firm.get("met").int(), firm.get("of").int()}
	if s.Firm.Met > s.Firm.Of {
		b.contradiction(fmt.Sprintf("%d of %d deadlines", s.Firm.Met, s.Firm.Of), "met is at most of", firm.get("met"), firm.get("of"))
	}
	if limit.is("none") {
		for _, k := range []*value{v.get("of"), v.get("quantile"), v.get("at"), firm.get("met"), firm.get("of")} {
			if k.given && limit.layer() <= k.layer() {
				b.contradiction("has no effect without a limit", "give limit: 200ms or the like", k)
			}
		}
		return
	}
	s.Limit = &Limit{Value: limit.time()}
	switch of := v.get("of"); {
	case of.is("change"), of.is("auto") && (s.Class == State || s.Class == Event):
		s.Limit.Of = OfChange
	case of.is("first_picture"), of.is("auto") && s.Class == Static:
		s.Limit.Of = OfFirstPicture
	}
	if s.Limit.Quantile = v.get("quantile").float(); s.Limit.Quantile == 0 {
		s.Limit.Quantile = usual[s.Limit.Of]
	}
	if v.get("at").is("memory") {
		s.Limit.At = InMemory
		if s.Limit.Of == OfFirstPicture {
			b.contradiction("a first picture is at the glass", "leave at out", v.get("at"), limit)
		}
	}
}
