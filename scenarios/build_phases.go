package scenarios

import (
	"cmp"
	"fmt"
	"slices"
)

// part is a part of the run and where it was written.
type part struct {
	Phase
	at *value // its begin
}

// phases cuts the run where the timeline and phases.parts say. The run begins
// with a part of its own, called start, unless one begins at 0.
func (b *builder) phases(v *value) {
	var parts []part
	taken := map[string]*value{"start": nil}
	for i, e := range b.plan.Bus.Timeline {
		at := b.root.get("bus").get("timeline").kids[i].get("at")
		parts = append(parts, part{Phase{e.Name, e.At}, at})
		taken[e.Name] = at
	}
	var before *value
	for _, p := range v.get("parts").kids {
		from := p.get("from")
		if from.bad {
			continue
		}
		if other, ok := taken[p.name]; ok {
			sentence := "the name " + quote(p.name) + " is taken"
			if other != nil {
				sentence += " by bus.timeline"
			}
			b.mistakes = append(b.mistakes, p.keyAt.mistake(p.path, sentence, "", "each part has its own"))
		}
		if before != nil && from.time() <= before.time() {
			b.contradiction(fmt.Sprintf("begins at %s, not after the part before it, at %s", formatDuration(from.time()), formatDuration(before.time())), "", from, before)
		}
		before = from
		parts = append(parts, part{Phase{p.name, from.time()}, from})
	}
	slices.SortStableFunc(parts, func(x, y part) int { return cmp.Compare(x.From, y.From) })
	for i, p := range parts {
		if i == 0 && p.From > 0 {
			b.plan.Phases = append(b.plan.Phases, Phase{Name: "start"})
		}
		if i > 0 && p.From == parts[i-1].From && b.isTimeline(parts[i-1].at) != b.isTimeline(p.at) {
			b.contradiction(fmt.Sprintf("begins together with %s, at %s", parts[i-1].Name, formatDuration(p.From)), "", p.at, parts[i-1].at)
		}
		b.plan.Phases = append(b.plan.Phases, p.Phase)
	}
	b.end(v.get("end"))
}

func (b *builder) isTimeline(v *value) bool {
	return slices.ContainsFunc(b.root.get("bus").get("timeline").kids, func(k *value) bool { return k.get("at") == v })
}

// end turns the end of the run into the duration that it leaves.
func (b *builder) end(end *value) {
	duration := b.root.get("duration")
	if !end.is("auto") {
		b.oneOnly(end, duration)
	}
	if end.is("auto") || end.bad || len(b.plan.Receivers) == 0 {
		b.plan.Duration = duration.time()
		return
	}
	duration.unused = true
	from, _ := b.plan.Window()
	latest := slices.Max(from)
	if end.time() <= latest {
		b.contradiction(fmt.Sprintf("ends at %s, but ages count only from %s on", formatDuration(end.time()), formatDuration(latest)), "a later end leaves a window", end)
		return
	}
	b.plan.Duration = end.time() - latest
}

// phaseWarnings notes parts that the run does not reach.
func (b *builder) phaseWarnings() {
	from, end := b.plan.Window()
	for i, p := range b.plan.Phases {
		if p.From >= end {
			b.warn("%s begins at %s, but the run ends at %s: nothing is known of it", p.Name, formatDuration(p.From), formatDuration(end))
			continue
		}
		until := end
		if i+1 < len(b.plan.Phases) {
			until = min(end, b.plan.Phases[i+1].From)
		}
		if first := slices.Min(from); until <= first {
			b.warn("%s ends at %s, before ages count, from %s on", p.Name, formatDuration(until), formatDuration(first))
		}
	}
}
