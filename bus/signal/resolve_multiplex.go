package signal

import (
	"fmt"
	"slices"
	"sort"
)

// multiplex finds the branch of every signal.
func (r *resolver) multiplex() {
	linked := map[*MessageSignal]bool{}
	for _, l := range r.links {
		r.link(l, linked)
	}
	for i := range r.db.Messages {
		m := &r.db.Messages[i]
		r.plainBranches(m, linked)
		r.circles(m)
		for j := range m.Signals {
			r.checkBranch(m, &m.Signals[j])
		}
	}
}

// link applies what an SG_MUL_VAL_ entry says. A name may stand for several
// signals on different branches: the entry then means those whose own line has
// a value in its ranges.
func (r *resolver) link(l link, linked map[*MessageSignal]bool) {
	var targets []*MessageSignal
	var of []*Message
	r.each(l.reference, func(m *Message, s *MessageSignal) { targets, of = append(targets, s), append(of, m) })
	if len(targets) == 0 {
		return
	}
	named := len(targets) > 1 && slices.ContainsFunc(targets, func(s *MessageSignal) bool { return s.hasBranch && contains(l.values, s.branch) })
	owners := 0
	for _, s := range targets {
		if s.hasBranch && contains(l.values, s.branch) {
			owners++
		}
	}
	for i, s := range targets {
		if named && !(s.hasBranch && contains(l.values, s.branch)) {
			continue
		}
		parent, ok := r.selectorOf(of[i], l)
		if !ok {
			r.mistake(l.at, Error, "the selector "+excerpt(l.selector), "a signal of message "+of[i].Name, "entry skipped")
			continue
		}
		values := l.values
		if named && owners > 1 {
			values = []ValueRange{{s.branch, s.branch}}
		}
		if linked[s] && s.Parent != parent {
			r.mistake(l.at, Error, fmt.Sprintf("a second selector, %s, of signal %s", l.selector, s.Name), "one selector of a signal", "the first kept")
			continue
		}
		if linked[s] {
			values = append(slices.Clone(s.Values), values...)
		}
		linked[s] = true
		s.Parent, s.Values = parent, joined(values)
		if s.hasBranch && !contains(s.Values, s.branch) {
			r.warn(l.at, fmt.Sprintf("ranges without the value %d that signal %s has on its own line", s.branch, s.Name), "the same values", "the ranges kept")
		}
	}
}

// selectorOf returns the index of the selector that the entry names.
func (r *resolver) selectorOf(m *Message, l link) (parent int, ok bool) {
	id, _ := identifier(l.number)
	for _, i := range r.messages[id] {
		if &r.db.Messages[i] != m {
			continue
		}
		named := r.signals[signalKey{i, l.selector}]
		for _, j := range named {
			if m.Signals[j].IsSelector {
				return int(j), true
			}
		}
		if len(named) > 0 {
			r.warn(l.at, "the selector "+excerpt(l.selector)+" without M", "M or m and a number and M on its own line", "taken as a selector")
			m.Signals[named[0]].IsSelector = true
			return int(named[0]), true
		}
	}
	return NoParent, false
}

// plainBranches puts signals with a mark such as m3, and no more said of them, on
// a branch of the message's selector.
func (r *resolver) plainBranches(m *Message, linked map[*MessageSignal]bool) {
	root, roots := NoParent, 0
	for i := range m.Signals {
		if s := &m.Signals[i]; s.IsSelector && !s.hasBranch && !linked[s] {
			if roots == 0 {
				root = i
			}
			roots++
		}
	}
	for i := range m.Signals {
		s := &m.Signals[i]
		if !s.hasBranch || linked[s] {
			continue
		}
		s.Parent, s.Values = root, []ValueRange{{s.branch, s.branch}}
		switch {
		case root == NoParent:
			s.Absent = true
			r.warn(s.at, fmt.Sprintf("signal %s on branch %d", s.Name, s.branch), "a selector (M) in message "+m.Name, "signal kept, never present")
		case roots > 1:
			r.warn(s.at, fmt.Sprintf("signal %s on branch %d of one of %d selectors", s.Name, s.branch, roots), "an entry SG_MUL_VAL_ that names the selector", m.Signals[root].Name+" taken")
		}
	}
}

// circles marks signals whose selectors go in a circle.
func (r *resolver) circles(m *Message) {
	const (
		unseen = iota
		onPath
		done
	)
	state := make([]uint8, len(m.Signals))
	for i := range m.Signals {
		at := i
		for at != NoParent && state[at] == unseen {
			state[at] = onPath
			at = m.Signals[at].Parent
		}
		if at != NoParent && state[at] == onPath {
			for on := at; !m.Signals[on].Absent; on = m.Signals[on].Parent {
				s := &m.Signals[on]
				s.Absent = true
				r.mistake(s.at, Error, fmt.Sprintf("signal %s, whose selectors go in a circle", s.Name), "a selector that does not depend on itself", "signal kept, never present")
			}
		}
		for at = i; at != NoParent && state[at] == onPath; at = m.Signals[at].Parent {
			state[at] = done
		}
	}
}

// checkBranch warns of values that the selector cannot have.
func (r *resolver) checkBranch(m *Message, s *MessageSignal) {
	if s.Parent == NoParent {
		return
	}
	parent := &m.Signals[s.Parent]
	if greatest := parent.mask(); s.Values[0].Low > greatest {
		r.warn(s.at, fmt.Sprintf("signal %s on branch %d", s.Name, s.Values[0].Low), fmt.Sprintf("at most %d: selector %s has %s", greatest, parent.Name, bitsText(parent.Bits)), "signal kept, never present")
	}
}

// duplicates warns of names and identifiers that stand for several things.
func (r *resolver) duplicates() {
	names := make(map[string]int, len(r.db.Messages))
	groups := map[uint32]int{}
	for i := range r.db.Messages {
		m := &r.db.Messages[i]
		if first := int(r.messages[m.ID][0]); first != i {
			r.warn(m.at, fmt.Sprintf("message %s with the identifier %s of message %s", m.Name, m.ID, r.db.Messages[first].Name), "an identifier of its own", "message kept; look-ups by identifier find the first")
		} else if m.ByGroup {
			group, _ := ParameterGroup(m.ID)
			if before, twice := groups[group]; twice {
				r.warn(m.at, fmt.Sprintf("message %s with the parameter group %05X of message %s", m.Name, group, r.db.Messages[before].Name), "a group of its own", "message kept; other senders' frames are taken for the first")
			} else {
				groups[group] = i
			}
		}
		if before, twice := names[m.Name]; twice {
			r.warn(m.at, "a second message "+excerpt(m.Name), fmt.Sprintf("one of the name (the first is on line %d)", r.db.Messages[before].Line), "message kept")
		} else {
			names[m.Name] = i
		}
		r.duplicateSignals(m)
	}
}

// duplicateSignals warns of names that stand twice on one branch.
func (r *resolver) duplicateSignals(m *Message) {
	order := make([]int, len(m.Signals))
	for i := range order {
		order[i] = i
	}
	low := func(s *MessageSignal) uint64 {
		if len(s.Values) == 0 {
			return 0
		}
		return s.Values[0].Low
	}
	sort.SliceStable(order, func(i, j int) bool {
		a, b := &m.Signals[order[i]], &m.Signals[order[j]]
		if a.Name != b.Name {
			return a.Name < b.Name
		}
		return a.Parent < b.Parent || a.Parent == b.Parent && low(a) < low(b)
	})
	for n := 1; n < len(order); n++ {
		a, b := &m.Signals[order[n-1]], &m.Signals[order[n]]
		if a.Name != b.Name {
			continue
		}
		if a.Parent == NoParent || a.Parent == b.Parent && a.Values[len(a.Values)-1].High >= low(b) {
			first, second := min(a.at, b.at), max(a.at, b.at)
			r.warn(second, fmt.Sprintf("a second signal %s of message %s on the same branch", excerpt(b.Name), m.Name), fmt.Sprintf("one of the name (the first is on line %d)", r.lineOf(first)), "signal kept")
		}
	}
}

func contains(values []ValueRange, raw uint64) bool {
	for _, v := range values {
		if v.Low <= raw && raw <= v.High {
			return true
		}
	}
	return false
}

// joined sorts ranges and joins those that touch or overlap.
func joined(values []ValueRange) []ValueRange {
	values = slices.Clone(values)
	slices.SortFunc(values, func(a, b ValueRange) int {
		switch {
		case a.Low < b.Low:
			return -1
		case a.Low > b.Low:
			return 1
		}
		return 0
	})
	out := values[:1]
	for _, v := range values[1:] {
		last := &out[len(out)-1]
		if v.Low <= last.High || v.Low == last.High+1 {
			last.High = max(last.High, v.High)
			continue
		}
		out = append(out, v)
	}
	return out
}
