package scenarios

import (
	"fmt"
	"maps"
	"slices"
	"strings"
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
	if limit := v.get("limit"); !limit.is("none") && !limit.bad {
		s.Limit = &Limit{Value: limit.time(), Quantile: v.get("quantile").float()}
		if v.get("at").is("memory") {
			s.Limit.At = InMemory
		}
	} else if !limit.bad {
		for _, name := range []string{"quantile", "at"} {
			if k := v.get(name); k.given && limit.layer() <= k.layer() {
				b.contradiction("has no effect without a limit", "give limit: 200ms or the like", k)
			}
		}
	}
	return s, true
}
