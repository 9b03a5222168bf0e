package scenarios

import (
	"fmt"
	"slices"
	"strings"
)

func sortedNames(names []string) []string {
	slices.Sort(names)
	return names
}

// assumptions lists the values that a result rests on, in the order of the
// table, each once: a value that falls back on another is not repeated, and one
// without effect is left out.
func assumptions(root *value) []Assumption {
	var out []Assumption
	walk(root, func(v *value) {
		if !v.key.matters && !(v.key.noted && v.given) || v.unused || v.from != nil {
			return
		}
		a := Assumption{Key: v.path, Value: v.shownText(), Origin: v.origin().String()}
		if v.origin() == fromDefault {
			a.Reason = v.reason()
		}
		out = append(out, a)
	})
	return out
}

// idle marks the general weather that no receiver relies on, and returns the
// paths of what was given all the same.
func idle(root *value) []string {
	relied := map[*value]bool{}
	walk(root, func(v *value) {
		if v.from != nil && !v.unused {
			relied[v.from] = true
		}
	})
	var given []string
	look := func(v *value) {
		if v.key.kind == section || relied[v] {
			return
		}
		v.unused = true
		if v.given {
			given = append(given, v.path)
		}
	}
	for _, v := range root.get("weather").kids {
		look(v)
		if v.key.kind == section && v.name != "common" { // on which all rely
			for _, k := range v.kids {
				look(k)
			}
		}
	}
	return given
}

// texts lists the items of a list of plain values, the first few of many.
func (v *value) texts() string {
	const few = 3
	var out []string
	for _, k := range v.kids[:min(len(v.kids), few)] {
		out = append(out, k.str())
	}
	text := strings.Join(out, ", ")
	if more := len(v.kids) - few; more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

// walk visits a value and all below it.
func walk(v *value, visit func(*value)) {
	visit(v)
	for _, k := range v.kids {
		walk(k, visit)
	}
}

// shownText writes the value as a scenario would; lists and blocks by their
// number.
func (v *value) shownText() string {
	if v.from != nil {
		return v.from.shownText()
	}
	switch v.key.kind {
	case names, items:
		switch {
		case v.parsed != nil:
			return v.str()
		case len(v.kids) == 0:
			return "none"
		case v.key.single:
			return v.texts()
		case len(v.kids) == 1:
			return "1 entry"
		}
		return fmt.Sprintf("%d entries", len(v.kids))
	case section:
		return ""
	}
	return formatValue(v.key.kind, v.parsed)
}
