package signal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Frame formats by their number, for files that use the attribute without
// declaring its labels.
var frameFormats = map[int]string{0: "StandardCAN", 1: "ExtendedCAN", 3: "J1939PG", 14: "StandardCAN_FD", 15: "ExtendedCAN_FD"}

// attributes applies those that mean something here: the object's own value, else
// the default.
func (r *resolver) attributes() {
	cycles, formats := r.newOwn(), r.newOwn()
	byGroup := false
	for _, g := range r.givenWithDefault(protocol) {
		byGroup = strings.Contains(strings.ToLower(r.labelOf(g, nil)), "j1939")
	}
	for _, g := range r.given {
		purpose := purposeOf(g.name)
		switch {
		case purpose == cycleTime && g.on == "BO_":
			r.each(g.reference, func(m *Message, _ *MessageSignal) { r.setCycle(g, m, cycles) })
		case purpose == frameFormat && g.on == "BO_":
			r.each(g.reference, func(m *Message, _ *MessageSignal) { formats[m] = g })
		case purpose == startValue && g.on == "SG_":
			r.each(g.reference, func(_ *Message, s *MessageSignal) { r.setInitial(g, s) })
		case purpose == protocol && g.on == "":
		default:
			r.skipped["BA_ of no use here"]++
		}
		if _, declared := r.definitions[g.name]; !declared {
			r.warn(g.at, "the attribute "+excerpt(g.name), "one that is declared (BA_DEF_)", "value kept")
		}
	}
	cycle, hasCycle := r.defaultOf(cycleTime)
	format, hasFormat := r.defaultOf(frameFormat)
	for i := range r.db.Messages {
		m := &r.db.Messages[i]
		if _, own := cycles[m]; !own && hasCycle {
			r.setCycle(cycle, m, cycles)
			m.CycleTimeDefault = m.CycleTime > 0
		}
		text := ""
		if own, ok := formats[m]; ok {
			text = r.labelOf(own, frameFormats)
		} else if hasFormat {
			text = r.labelOf(format, frameFormats)
			byDefault := strings.EqualFold(text, "J1939PG")
			m.ByGroup = byGroup || byDefault
		} else {
			m.ByGroup = byGroup
		}
		text = strings.ToLower(text)
		m.ByGroup = m.ID.IsExtended() && (m.ByGroup || text == "j1939pg")
		m.FD = m.FD || strings.HasSuffix(text, "fd")
	}
}

func (r *resolver) newOwn() map[*Message]given { return make(map[*Message]given, len(r.given)) }

// defaultOf returns the default of the attribute for a purpose.
func (r *resolver) defaultOf(purpose purpose) (given, bool) {
	var names []string
	for name := range r.defaults {
		if purposeOf(name) == purpose {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return given{}, false
	}
	slices.SortFunc(names, func(a, b string) int {
		return cmp.Or(purposeRank(b)-purposeRank(a), strings.Compare(a, b))
	})
	return r.defaults[names[0]], true
}

// givenWithDefault returns what is given for the database as a whole, or the
// default.
func (r *resolver) givenWithDefault(purpose purpose) (all []given) {
	for _, g := range r.given {
		if g.on == "" && purposeOf(g.name) == purpose {
			all = append(all, g)
		}
	}
	if g, ok := r.defaultOf(purpose); ok && len(all) == 0 {
		all = append(all, g)
	}
	return all
}

// labelOf returns the text of a value of an enumeration, which is given by its
// number, in quotes or as a word.
func (r *resolver) labelOf(g given, usual map[int]string) string {
	n, err := strconv.Atoi(g.value)
	if err != nil {
		return g.value
	}
	if labels := r.definitions[g.name].labels; n >= 0 && n < len(labels) {
		return labels[n]
	} else if len(labels) > 0 {
		r.warn(g.at, fmt.Sprintf("value %d of attribute %s", n, excerpt(g.name)), fmt.Sprintf("0 to %d, the number of a label", len(labels)-1), "value skipped")
		return ""
	}
	return usual[n]
}

// setCycle sets the cycle time, which attributes state in milliseconds.
func (r *resolver) setCycle(g given, m *Message, own map[*Message]given) {
	if before, ok := own[m]; ok && purposeRank(before.name) > purposeRank(g.name) {
		return
	}
	ms, ok := parseNumber(strings.TrimSpace(g.value))
	const longest = 1e9
	if !ok || ms < 0 || ms > longest {
		r.warn(g.at, "a cycle time of "+excerpt(g.value), "milliseconds, from 0 to 1000000000", "value skipped")
		return
	}
	own[m] = g
	m.CycleTime = time.Duration(math.Round(ms * float64(time.Millisecond)))
}

// purposeRank prefers the usual name of an attribute to its variants.
func purposeRank(name string) int {
	if _, usual := useful[strings.ToLower(name)]; usual && strings.HasPrefix(name, "Gen") {
		return 1
	}
	return 0
}

// setInitial sets the value before the first reception, which attributes state as
// a raw number.
func (r *resolver) setInitial(g given, s *MessageSignal) {
	raw, ok := parseNumber(strings.TrimSpace(g.value))
	if !ok {
		r.warn(g.at, "a start value of "+excerpt(g.value), "a decimal number", "value skipped")
		return
	}
	s.HasInitial, s.Initial = true, float64(raw*s.Scale)+s.Offset
}
