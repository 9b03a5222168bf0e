package scenarios

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// MaxText is the largest scenario text that is read, in bytes.
const MaxText = 1 << 20

// maxDepth bounds how deep a text may be nested. The deepest key of a scenario
// lies at nine.
const maxDepth = 32

// origin says which layer of a scenario a value was written in.
type origin uint8

const (
	fromDefault origin = iota
	fromScenario
	fromCommandLine
	fromDatabase
)

// String returns the word that reports print.
func (o origin) String() string {
	return [...]string{"default", "scenario", "command line", "signal database"}[o]
}

// source is one text: a file, a built-in scenario or one --set.
type source struct {
	name   string
	lines  []string
	origin origin
	layer  int // 0 = the scenario that all others extend; a higher layer wins
	inline bool

	written *writing // where an inline text stands among others; nil = on its own
}

// place is a position in a source.
type place struct {
	source       *source
	line, column int
}

// mistake starts a mistake at this place.
func (p place) mistake(path, found, expected, hint string) Mistake {
	m := Mistake{Path: path, Found: found, Expected: expected, Hint: hint}
	if p.source == nil {
		return m
	}
	m.File, m.Line, m.Column = p.source.name, p.line, p.column
	if p.line >= 1 && p.line <= len(p.source.lines) {
		m.Excerpt = p.source.lines[p.line-1]
	}
	if p.source.inline {
		m.Line = 0
	}
	p.source.written.move(&m)
	return m
}

// shape is the kind of a node.
type shape uint8

const (
	scalar shape = iota
	mapping
	list
)

// String names the shape as a message has it.
func (s shape) String() string {
	return [...]string{"a value", "a block of keys", "a list"}[s]
}

// node is a piece of a scenario text. Scalars keep the text as it was written,
// so that the identifiers 120 and 1E2 are not taken for numbers.
type node struct {
	shape   shape
	at      place
	text    string
	quoted  bool
	faulty  bool    // something this reader refuses; a mistake has been reported
	entries []entry // of a mapping, in order
	items   []*node // of a list
}

// entry is one key of a mapping.
type entry struct {
	name  string
	at    place
	value *node
}

// find returns the index of the entry of that name, or -1.
func (n *node) find(name string) int {
	for i := range n.entries {
		if n.entries[i].name == name {
			return i
		}
	}
	return -1
}

// child returns the value of a key, or nil.
func (n *node) child(name string) *node {
	if n == nil {
		return nil
	}
	if i := n.find(name); i >= 0 {
		return n.entries[i].value
	}
	return nil
}

// parseText turns a text into a mapping. The node is nil when the text cannot
// be read at all.
func parseText(src *source, text []byte) (*node, Mistakes) {
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	if m := checkText(src, text); m != nil {
		return nil, m
	}
	src.lines = splitLines(string(text))
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	var document yaml.Node
	if err := decode(decoder, &document); err != nil {
		return nil, syntaxMistakes(src, err)
	}
	if document.Kind == 0 || len(document.Content) == 0 {
		return nil, Mistakes{place{src, 1, 1}.mistake("", "an empty text", "the keys of a scenario", "")}
	}
	c := converter{src: src}
	root := c.convert(document.Content[0], 0)
	var second yaml.Node
	if err := decode(decoder, &second); err == nil && second.Kind != 0 {
		c.add(place{src, max(second.Line, 1), 1}, "", "a second document", "one scenario a file",
			"remove the line of three dashes")
	} else if err != nil {
		c.mistakes = append(c.mistakes, syntaxMistakes(src, err)...)
	}
	if root.shape != mapping {
		if root.text == "" && root.shape == scalar {
			c.add(place{src, 1, 1}, "", "an empty text", "the keys of a scenario", "")
		} else {
			c.add(root.at, "", root.shape.String(), "the keys of a scenario, such as bus: and receivers:", "")
		}
		return nil, c.mistakes
	}
	return root, c.mistakes
}

// lineBreaks are what the YAML library takes for the end of a line.
var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n")

func splitLines(text string) []string { return strings.Split(lineBreaks.Replace(text), "\n") }

// decode reads one document. The library reports what it cannot read as an
// error; a fault inside the library must not end the program either.
func decode(d *yaml.Decoder, into *yaml.Node) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("yaml: %v", r)
		}
	}()
	if err = d.Decode(into); errors.Is(err, io.EOF) {
		return nil // into stays empty: that is for the caller to judge
	}
	return err
}

// checkText refuses what is no text at all, before any parser sees it.
func checkText(src *source, text []byte) Mistakes {
	whole := func(found, expected, hint string) Mistakes {
		return Mistakes{place{src, 0, 0}.mistake("", found, expected, hint)}
	}
	switch {
	case len(text) > MaxText:
		return whole(fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d bytes in a scenario", MaxText), "")
	case bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}):
		return whole("UTF-16 text", "UTF-8 text", "save the file as UTF-8")
	case len(bytes.TrimSpace(text)) == 0:
		return whole("an empty text", "the keys of a scenario", "")
	case bytes.IndexByte(text, 0) >= 0:
		return whole("a binary file", "a scenario in YAML", "")
	}
	if utf8.Valid(text) {
		return nil
	}
	for i, line := range bytes.Split(text, []byte("\n")) {
		if utf8.Valid(line) {
			continue
		}
		column := 1
		for len(line) > 0 {
			r, size := utf8.DecodeRune(line)
			if r == utf8.RuneError && size <= 1 {
				break
			}
			line, column = line[size:], column+1
		}
		return Mistakes{place{src, i + 1, column}.mistake("",
			fmt.Sprintf("the byte 0x%02x, which is not UTF-8", line[0]), "UTF-8 text", "save the file as UTF-8")}
	}
	return nil
}

var parserFault = regexp.MustCompile(`^did not find expected (?:',' or|key|'-' indicator|node content|<)`)

var yamlLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?(?s:(.*))$`)

// syntaxMistakes explains a text that is not YAML. Tabs are the usual reason
// and the library's own words do not say so.
func syntaxMistakes(src *source, err error) Mistakes {
	for i, line := range src.lines {
		indent := line[:len(line)-len(strings.TrimLeft(line, " \t"))]
		if tab := strings.IndexByte(indent, '\t'); tab >= 0 && strings.TrimSpace(line) != "" {
			return Mistakes{place{src, i + 1, tab + 1}.mistake("", "a tab in the indentation", "spaces", "")}
		}
	}
	line, text := 1, err.Error()
	if parts := yamlLine.FindStringSubmatch(text); parts != nil {
		if n, e := strconv.Atoi(parts[1]); e == nil {
			line = n
		}
		text = parts[2]
		// The library counts the lines of these faults from 0.
		if parts[1] != "" && parserFault.MatchString(text) {
			line++
		}
	}
	line = min(line, max(len(src.lines), 1))
	column := 1
	if line <= len(src.lines) {
		column += len(src.lines[line-1]) - len(strings.TrimLeft(src.lines[line-1], " "))
	}
	return Mistakes{place{src, line, column}.mistake("", "text that is not YAML ("+text+")",
		"keys and values as in name: value", "look at this line and the one before it")}
}

// converter turns the library's nodes into ours and refuses what a scenario
// has no use for.
type converter struct {
	src      *source
	mistakes Mistakes
}

func (c *converter) add(at place, path, found, expected, hint string) {
	c.mistakes = append(c.mistakes, at.mistake(path, found, expected, hint))
}

func (c *converter) convert(y *yaml.Node, depth int) *node {
	n := &node{at: place{c.src, y.Line, y.Column}}
	if y.Anchor != "" {
		c.add(n.at, "", "the anchor &"+y.Anchor, "no anchors", "write the values out, or use extends")
	}
	if y.Style&yaml.TaggedStyle != 0 {
		c.add(n.at, "", "the tag "+y.Tag, "no tags", "every key knows the type of its value")
	}
	if depth > maxDepth {
		c.add(n.at, "", fmt.Sprintf("nesting deeper than %d", maxDepth), "the keys of a scenario", "")
		n.faulty = true
		return n
	}
	switch y.Kind {
	case yaml.ScalarNode:
		n.text = y.Value
		n.quoted = y.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0
		if y.Tag == "!!null" && !n.quoted {
			n.text = ""
		}
	case yaml.SequenceNode:
		n.shape = list
		for _, item := range y.Content {
			n.items = append(n.items, c.convert(item, depth+1))
		}
	case yaml.MappingNode:
		c.convertMapping(n, y, depth)
	default:
		n.faulty = true
		c.add(n.at, "", "the alias *"+y.Value, "no aliases", "write the values out, or use extends")
	}
	return n
}

func (c *converter) convertMapping(n *node, y *yaml.Node, depth int) {
	n.shape = mapping
	first := map[string]int{}
	for i := 0; i+1 < len(y.Content); i += 2 {
		k := y.Content[i]
		at := place{c.src, k.Line, k.Column}
		value := c.convert(y.Content[i+1], depth+1)
		if k.Kind != yaml.ScalarNode {
			c.add(at, "", "a key that is not a word", "a name", "")
			continue
		}
		if line, twice := first[k.Value]; twice {
			c.add(at, "", fmt.Sprintf("the key %s a second time", quote(k.Value)),
				"each key once", fmt.Sprintf("the first is in line %d", line))
			continue
		}
		first[k.Value] = k.Line
		n.entries = append(n.entries, entry{k.Value, at, value})
	}
}

// merge lays the upper node over the lower one: blocks of keys are merged key
// by key, everything else is replaced. Neither argument is changed.
func merge(lower, upper *node) *node {
	if lower == nil || upper == nil || lower.shape != mapping || upper.shape != mapping {
		if upper == nil {
			return lower
		}
		return upper
	}
	out := &node{shape: mapping, at: upper.at, entries: append([]entry(nil), lower.entries...)}
	for _, e := range upper.entries {
		if i := out.find(e.name); i >= 0 {
			e.value = merge(out.entries[i].value, e.value)
			out.entries[i] = e
		} else {
			out.entries = append(out.entries, e)
		}
	}
	return out
}
