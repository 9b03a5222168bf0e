package scenarios

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Compose returns the text of a scenario that says all that nameOrPath says with
// the changes on top, and extends no other: what has no effect any more is left
// out. path is where the text will stand, from where it names captures, databases
// and traces. head becomes the comment at its top. The text is a scenario: what it
// means is checked before it is returned.
func Compose(nameOrPath string, sets []string, path, head string) ([]byte, error) {
	from, text, err := locate(nameOrPath, "")
	if err != nil {
		return nil, err
	}
	parsed, err := parseSets(sets)
	if err != nil {
		return nil, err
	}
	return compose(from, text, parsed, path, head)
}

// compose is [Compose] of a text that has been read.
func compose(from string, text []byte, parsed []Set, path, head string) ([]byte, error) {
	root, _, err := readTree(from, text, parsed)
	if err != nil {
		return nil, err
	}
	plan, mistakes := build(root) // marks what has no effect
	if mistakes = append(mistakes, plan.discard()...); len(mistakes) > 0 {
		return nil, mistakes.sorted()
	}
	tree := (&loader{hash: sha256.New()}).layers(from, text, nil)
	for _, set := range parsed {
		tree, _ = apply(tree, set, maxBases+1) // readTree has told what is wrong
	}
	var b bytes.Buffer
	comment(&b, head)
	b.WriteByte('\n')
	c := composer{out: &b, path: path}
	c.block(c.effective(tree, root, path), 0)
	return b.Bytes(), composed(path, b.Bytes())
}

// composed checks a text that was composed.
func composed(path string, text []byte) error {
	if len(text) > MaxText {
		return fmt.Errorf("%s: %d bytes, a scenario has at most %d", path, len(text), MaxText)
	}
	plan, err := Load(path, text, nil)
	if err != nil {
		return err
	}
	return plan.Close()
}

type composer struct {
	out  *bytes.Buffer
	path string
}

// effective returns the tree without what has no effect, with files named from
// where the text will stand.
func (c *composer) effective(n *node, v *value, path string) *node {
	out := *n
	out.entries, out.items = nil, nil
	for _, e := range n.entries {
		kid := v.kids[slices.IndexFunc(v.kids, func(k *value) bool { return k.name == e.name })]
		if !kid.given || kid.unused || kid.path == "extends" {
			continue
		}
		e.value = c.effective(e.value, kid, path)
		if e.value.shape == mapping && len(e.value.entries) == 0 && len(kid.kids) > 0 && kid.key.kind == section {
			continue // nothing of it has an effect
		}
		out.entries = append(out.entries, e)
	}
	for i, item := range n.items {
		out.items = append(out.items, c.effective(item, v.kids[i], path))
	}
	if n.shape == scalar && isFile(v) {
		out.text = c.fileFrom(v)
	}
	return &out
}

// isFile reports whether a value names a file beside the scenario.
func isFile(v *value) bool {
	k := v.key.Path
	return (k == "bus.capture.file.*" || k == "bus.database.file" || strings.HasSuffix(k, "weather.trace.file")) &&
		!slices.Contains(v.key.Words, v.str()) && v.str() != "none" && !slices.Contains(databaseNames(), v.str())
}

// fileFrom names the file of a value as seen from the new text.
func (c *composer) fileFrom(v *value) string {
	at := v.fileAt()
	if at == "-" || filepath.IsAbs(at) {
		return at
	}
	// Both are seen from the working directory.
	if relative, err := filepath.Rel(filepath.Dir(c.path), at); err == nil {
		return relative
	}
	if absolute, err := filepath.Abs(at); err == nil {
		return absolute
	}
	return at
}

// widestFlow is how long a block may be that is written in one line.
const widestFlow = 100

// block writes the entries of a mapping, one a line.
func (c *composer) block(n *node, depth int) {
	indent := strings.Repeat("  ", depth)
	for _, e := range n.entries {
		if depth == 0 && len(e.value.entries)+len(e.value.items) > 0 {
			c.out.WriteByte('\n')
		}
		name := yamlText(&node{text: e.name})
		flow := flowText(e.value)
		if e.value.shape == scalar || depth > 0 && len(indent)+len(name)+2+len(flow) <= widestFlow && !nested(e.value) || len(e.value.entries)+len(e.value.items) == 0 {
			fmt.Fprintf(c.out, "%s%s: %s\n", indent, name, flow)
			continue
		}
		fmt.Fprintf(c.out, "%s%s:\n", indent, name)
		if e.value.shape == mapping {
			c.block(e.value, depth+1)
			continue
		}
		for _, item := range e.value.items {
			fmt.Fprintf(c.out, "%s  - %s\n", indent, flowText(item))
		}
	}
}

// nested reports whether a block holds blocks.
func nested(n *node) bool {
	return slices.ContainsFunc(n.entries, func(e entry) bool { return e.value.shape == mapping }) ||
		slices.ContainsFunc(n.items, func(i *node) bool { return i.shape != scalar })
}

// flowText writes a node in one line.
func flowText(n *node) string {
	var parts []string
	switch n.shape {
	case mapping:
		for _, e := range n.entries {
			parts = append(parts, yamlText(&node{text: e.name})+": "+flowText(e.value))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case list:
		for _, i := range n.items {
			parts = append(parts, flowText(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return yamlText(n)
}

// plainText needs no quotes in YAML, neither in blocks nor in braces.
var plainText = regexp.MustCompile(`^[A-Za-z0-9_.+-](?:[A-Za-z0-9_./%@+ -]*[A-Za-z0-9_./%@+-])?$`)

func yamlText(n *node) string {
	if n.quoted || !plainText.MatchString(n.text) || strings.HasPrefix(n.text, "---") || n.text == "-" {
		return strconv.Quote(n.text)
	}
	return n.text
}
