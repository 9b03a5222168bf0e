package scenarios

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Set is one change to a scenario before it is read.
type Set struct {
	Path string // of a key, such as receivers.pillar.queue
	Text string // the value as a scenario would write it; lists and blocks in one line

	written *writing // nil = as --set
}

// String returns the change as --set takes it.
func (s Set) String() string { return s.Path + "=" + s.Text }

// ParseSet cuts PATH=VALUE.
func ParseSet(s string) (Set, error) {
	path, text, ok := strings.Cut(s, "=")
	if !ok {
		src := &source{name: "--set", lines: []string{s}, inline: true}
		return Set{}, Mistakes{place{src, 1, 1}.mistake("", quote(s), "KEY=VALUE, such as receivers.pillar.queue=8", "")}
	}
	return Set{Path: strings.TrimSpace(path), Text: text}, nil
}

// setter applies one change to a tree.
type setter struct {
	src      *source
	database bool // the scenario has a signal database, whose messages may be changed
	value    *node
	mistakes Mistakes
}

// segment is one name of a path and where it stands.
type segment struct {
	name   string
	column int
}

// apply returns the tree with the change in it; the tree itself is not changed.
func apply(root *node, set Set, layer int) (*node, Mistakes) {
	src := &source{name: "--set", lines: []string{set.String()}, origin: fromCommandLine, layer: layer, inline: true, written: set.written}
	s := &setter{src: src, database: hasDatabase(root)}
	s.value = s.parseValue(set)
	if s.value == nil {
		return root, s.mistakes
	}
	var segments []segment
	column := 1
	for _, name := range strings.Split(set.Path, ".") {
		segments = append(segments, segment{name, column})
		column += len([]rune(name)) + 1
	}
	out := s.put(schema, root, segments, "")
	if len(s.mistakes) > 0 {
		return root, s.mistakes
	}
	return out, nil
}

func (s *setter) add(column int, path, found, expected, hint string) {
	s.mistakes = append(s.mistakes, place{s.src, 1, column}.mistake(path, found, expected, hint))
}

// parseValue reads the value. Plain text is taken as it is; lists, blocks and
// quoted text are read as YAML.
func (s *setter) parseValue(set Set) *node {
	shift := len([]rune(set.Path)) + 1
	at := place{s.src, 1, shift + 1}
	trimmed := strings.TrimSpace(set.Text)
	if trimmed == "" || !strings.ContainsAny(trimmed[:1], "[{\"'") {
		return &node{at: at, text: trimmed}
	}
	valueSource := &source{name: s.src.name, lines: []string{trimmed}}
	if m := checkText(valueSource, []byte(trimmed)); m != nil {
		s.add(at.column, set.Path, m[0].Found, m[0].Expected, m[0].Hint)
		return nil
	}
	var document yaml.Node
	if err := decode(yaml.NewDecoder(strings.NewReader(trimmed)), &document); err != nil || len(document.Content) == 0 {
		s.add(at.column, set.Path, quote(trimmed)+", which is not YAML", "a value such as [120, 1A4] or {kind: each}", "")
		return nil
	}
	c := converter{src: s.src}
	n := c.convert(document.Content[0], 0)
	for i := range c.mistakes {
		c.mistakes[i].Column += shift
	}
	s.mistakes = append(s.mistakes, c.mistakes...)
	n.moveRight(shift)
	return n
}

// moveRight corrects the columns of a value that was read on its own.
func (n *node) moveRight(by int) {
	n.at.column += by
	n.at.line = 1
	for i := range n.entries {
		n.entries[i].at.column += by
		n.entries[i].at.line = 1
		n.entries[i].value.moveRight(by)
	}
	for _, item := range n.items {
		item.moveRight(by)
	}
}

// put returns n with the value at the path of the remaining segments.
func (s *setter) put(k *Key, n *node, rest []segment, path string) *node {
	if len(rest) == 0 {
		return merge(n, desugar(k, s.value))
	}
	switch k.kind {
	case section, names:
		return s.putKey(k, n, rest, path)
	case items:
		return s.putItem(k, n, rest, path)
	}
	s.add(rest[0].column, join(path, rest[0].name), "an unknown key", "nothing below "+path+", which holds a value", "")
	return n
}

func (s *setter) putKey(k *Key, n *node, rest []segment, path string) *node {
	if n == nil || n.shape != mapping {
		n = &node{shape: mapping, at: place{s.src, 1, rest[0].column}}
	}
	seg := rest[0]
	rest = rest[1:]
	if k.kind == names && n.find(seg.name) < 0 && len(rest) > 0 && k.kids[0].kid(rest[0].name) == nil {
		seg.name += "." + rest[0].name // a shown signal with its message in front
		rest = rest[1:]
	}
	kid := k.kid(seg.name)
	if kid == nil {
		s.add(seg.column, join(path, seg.name), "an unknown key",
			"one of "+strings.Join(k.kidNames(), ", "), didYouMean(seg.name, k.kidNames()))
		return n
	}
	if k.kind == names && n.find(seg.name) < 0 && !s.mayCreate(k, n, seg, path) {
		return n
	}
	out := &node{shape: mapping, at: n.at, entries: slices.Clone(n.entries)}
	next := s.put(kid, n.child(seg.name), rest, join(path, seg.name))
	at := place{s.src, 1, seg.column}
	if i := out.find(seg.name); i >= 0 {
		out.entries[i].value = next
	} else {
		out.entries = append(out.entries, entry{seg.name, at, next})
	}
	return out
}

// mayCreate decides whether a change may bring in a name that the scenario does
// not have. A name that is nearly an existing one is taken for a slip; shown
// signals are looked up on the bus later.
func (s *setter) mayCreate(k *Key, n *node, seg segment, path string) bool {
	if s.database && (k.Path == "bus.messages" || k.Path == "bus.messages.*.signals") {
		return true // the database is asked later
	}
	var existing []string
	for _, e := range n.entries {
		existing = append(existing, e.name)
	}
	if near := nearest(seg.name, existing); near != "" && k.Path != "receivers.*.shows" {
		s.add(seg.column, join(path, seg.name), "an unknown name", oneOf(existing), "did you mean "+near+"?")
		return false
	}
	switch k.Path {
	case "receivers.*.shows", "air.background", "phases.parts":
		return true
	}
	s.add(seg.column, join(path, seg.name), "an unknown name", "one of those in the scenario: "+oneOf(existing), "")
	return false
}

func (s *setter) putItem(k *Key, n *node, rest []segment, path string) *node {
	if n == nil || n.shape != list {
		s.add(rest[0].column, join(path, rest[0].name), "an item of a list that the scenario does not have", wantOf(k), "")
		return n
	}
	i, err := strconv.Atoi(rest[0].name)
	if err != nil || i < 0 || i >= len(n.items) {
		s.add(rest[0].column, join(path, rest[0].name), quote(rest[0].name),
			fmt.Sprintf("the number of an item, 0 to %d", len(n.items)-1), "")
		return n
	}
	out := &node{shape: list, at: n.at, items: slices.Clone(n.items)}
	out.items[i] = s.put(k.kids[0], n.items[i], rest[1:], join(path, rest[0].name))
	return out
}

// desugar writes the short form of a block, a plain value or a list, as the block
// that it stands for, and that of a list of one. The node is not changed.
func desugar(k *Key, n *node) *node {
	if n == nil {
		return nil
	}
	switch {
	case k.kind == section && k.shorthand != "" && (n.shape == scalar && (n.text != "" || n.quoted) || n.shape == list && k.kid(k.shorthand).kind == items):
		return &node{shape: mapping, at: n.at, entries: []entry{{k.shorthand, n.at, desugar(k.kid(k.shorthand), n)}}}
	case k.kind == items && k.single && n.shape == scalar && (n.text != "" || n.quoted) && !slices.Contains(k.Words, n.text):
		return &node{shape: list, at: n.at, items: []*node{n}}
	case n.shape == mapping && (k.kind == section || k.kind == names):
		out := &node{shape: mapping, at: n.at, entries: slices.Clone(n.entries)}
		for i, e := range out.entries {
			if kid := k.kid(e.name); kid != nil {
				out.entries[i].value = desugar(kid, e.value)
			}
		}
		return out
	case n.shape == list && k.kind == items:
		out := &node{shape: list, at: n.at, items: slices.Clone(n.items)}
		for i, item := range out.items {
			out.items[i] = desugar(k.kids[0], item)
		}
		return out
	}
	return n
}
