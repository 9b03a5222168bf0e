package scenarios

import (
	"fmt"
	"slices"
	"time"

	"stalegauge/bus/traffic"
)

// updatePeriod is the time between the updates that a message is sure to bring:
// its period, else its heartbeat, else the mean distance of its events.
func updatePeriod(m *traffic.Message) time.Duration {
	switch e := m.Events; {
	case m.Period > 0 || e == nil:
		return m.Period
	case e.Heartbeat > 0:
		return e.Heartbeat
	default:
		return e.Every
	}
}

// events reads the releases of a message that follow no clock.
func (b *builder) events(v *value, m *traffic.Message) {
	e := v.get("events")
	if !e.given || e.bad {
		return
	}
	m.Events = &traffic.Events{
		Every: e.get("every").time(), Group: e.get("group").int(),
		MinGap: e.get("min_gap").time(), Heartbeat: e.get("heartbeat").time(),
	}
	if m.Events.Group > 1 {
		m.Events.Spacing = e.get("spacing").time()
		if m.Events.Every == 0 {
			b.contradiction("a group without random events", "say how far apart they are, such as every: 10s", e.get("group"), e.get("every"))
		}
	}
	var known []string
	for _, f := range m.Fields {
		known = append(known, f.Signal.Name)
	}
	for _, name := range e.get("on_change").kids {
		i := slices.Index(known, name.str())
		if name.bad {
			continue
		}
		if i < 0 {
			b.mistakes = append(b.mistakes, name.at.mistake(name.path, "the unknown signal "+quote(name.str()), "a signal of this message", didYouMean(name.str(), known)))
			continue
		}
		if k := m.Fields[i].Value.Kind; k != traffic.Square && k != traffic.Pulse {
			law := v.get("signals").get(known[i]).get("value").get("law")
			b.contradiction("the changes of "+known[i]+" are not known beforehand", "only those of a square or a pulse are", name, law)
		}
		m.Events.OnChange = append(m.Events.OnChange, i)
	}
	if len(e.get("on_change").kids) == 0 && m.Events.Every == 0 && m.Events.Heartbeat == 0 {
		b.contradiction("events that nothing causes", "give on_change, every or heartbeat", e, e.get("on_change"), e.get("every"), e.get("heartbeat"))
	}
}

// timeline reads the parts of the run in which the bus behaves differently.
func (b *builder) timeline(v *value) {
	index := map[string]int{}
	for i := range b.plan.Bus.Messages {
		index[b.plan.Bus.Messages[i].ID.String()] = i
	}
	taken := map[string]bool{"start": true}
	for i, part := range v.kids {
		e := traffic.Episode{Name: part.get("name").str(), At: part.get("at").time(), Asleep: part.get("bus").is("asleep")}
		if taken[e.Name] || e.Name == "" {
			b.contradiction("the name "+quote(e.Name)+" is taken", "each part has its own", part.get("name"))
		}
		taken[e.Name] = true
		if i > 0 && e.At <= b.plan.Bus.Timeline[i-1].At {
			b.contradiction(fmt.Sprintf("begins at %s, not after the part before it, at %s", formatDuration(e.At), formatDuration(b.plan.Bus.Timeline[i-1].At)), "",
				part.get("at"), v.kids[i-1].get("at"))
		}
		if storm := part.get("storm"); storm.given && !storm.get("id").bad {
			id := storm.get("id").id()
			message, carried := index[id.String()]
			if !carried {
				b.contradiction(fmt.Sprintf("no message on the bus has the identifier %s", id), b.nearID(id), storm.get("id"))
			}
			e.Storm = &traffic.Storm{Message: message, Rate: storm.get("rate").float()}
		}
		b.plan.Bus.Timeline = append(b.plan.Bus.Timeline, e)
	}
}

// checkSent finds messages that nothing ever releases.
func (b *builder) checkSent(v *value) {
	storms := map[int]bool{}
	for _, e := range b.plan.Bus.Timeline {
		if e.Storm != nil {
			storms[e.Storm.Message] = true
		}
	}
	for i, m := range v.get("messages").kids {
		if !m.bad && !m.get("period").bad && m.get("period").time() == 0 && !m.get("events").given && !storms[i] {
			b.contradiction("a message that is never sent", "give it a period, such as period: 100ms, or events", m)
		}
	}
}

// checkNodes sees that all messages of a node agree on its clock.
func (b *builder) checkNodes(v *value) {
	type clock struct {
		drift float64
		at    *value
	}
	nodes := map[string]clock{}
	for _, block := range slices.Concat(v.get("messages").kids, v.get("filler").kids) {
		name, drift := block.get("node").str(), block.get("drift")
		if name == "" || drift.bad {
			continue
		}
		first, seen := nodes[name]
		if !seen {
			nodes[name] = clock{drift.float(), block}
		} else if first.drift != drift.float() {
			b.contradiction(fmt.Sprintf("the clock of node %s errs by %s here and by %s at %s", name,
				formatValue(drift.key.kind, drift.parsed), formatNumber(drift.key.kind, first.drift), first.at.path), "a node has one clock", drift)
		}
	}
}
