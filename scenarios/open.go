package scenarios

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

//go:embed builtin/*.yaml builtin/*.dbc
var builtins embed.FS

// Default is the name of the scenario that runs when none is named.
const Default = "orchard"

// maxBases bounds a chain of scenarios that extend one another.
const maxBases = 8

// Load reads a scenario text, lays the changes over it and works it out. The
// path names the text in messages; the scenarios that it extends are looked for
// beside it. All mistakes are found at once and returned as [Mistakes].
func Load(path string, text []byte, sets []Set) (*Plan, error) {
	root, sum, err := readTree(path, text, sets)
	if err != nil {
		return nil, err
	}
	plan, mistakes := build(root)
	if len(mistakes) > 0 {
		return nil, append(mistakes, plan.discard()...).sorted()
	}
	plan.Path, plan.SHA256 = path, sum
	plan.Name = root.get("name").str()
	if plan.Name == "" {
		plan.Name = strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	}
	if err := tryParts(plan); err != nil {
		m := Mistakes{}
		for _, text := range flatten(err) {
			m = append(m, Mistake{File: path, Found: text})
		}
		return nil, append(m, plan.discard()...)
	}
	return plan, nil
}

// discard closes a plan that nobody will get.
func (p *Plan) discard() Mistakes {
	if err := p.Close(); err != nil {
		return Mistakes{{File: p.Path, Found: err.Error()}}
	}
	return nil
}

// readTree reads the texts of a scenario and checks the tree against the table.
// When there are mistakes it has the tree built all the same, so that those of
// the builder come out with them.
func readTree(path string, text []byte, sets []Set) (*value, string, error) {
	l := &loader{hash: sha256.New()}
	tree := l.layers(path, text, nil)
	if tree == nil {
		return nil, "", l.mistakes.sorted()
	}
	for _, set := range sets {
		changed, m := apply(tree, set, maxBases+1)
		l.mistakes = append(l.mistakes, m...)
		tree = changed
		fmt.Fprintf(l.hash, "\n--set %s", set)
	}
	r := &reader{partial: l.partial, database: hasDatabase(tree)}
	src := &source{name: path}
	top := place{src, 1, 1}
	root := r.read(schema, tree, "", "", top, top)
	l.mistakes = append(l.mistakes, r.mistakes...)
	if len(l.mistakes) > 0 {
		var more Mistakes
		if !l.partial {
			root.bad = true
			var plan *Plan
			plan, more = build(root)
			more = append(more, plan.discard()...)
		}
		return nil, "", append(l.mistakes, more...).sorted()
	}
	return root, hex.EncodeToString(l.hash.Sum(nil)), nil
}

// hasDatabase reports whether a scenario names a signal database.
func hasDatabase(tree *node) bool {
	file := tree.child("bus").child("database").child("file")
	return file != nil && file.text != "none"
}

// loader reads a text and those that it extends.
type loader struct {
	hash interface {
		io.Writer
		Sum([]byte) []byte
	}
	mistakes Mistakes
	partial  bool // a text that is extended could not be read
}

// layers returns the tree of a text laid over the tree of the text it extends.
// It is nil when there is nothing to go on with.
func (l *loader) layers(path string, text []byte, chain []string) *node {
	src := &source{name: path, origin: fromScenario, layer: maxBases - len(chain)}
	l.hash.Write(text)
	root, m := parseText(src, text)
	l.mistakes = append(l.mistakes, m...)
	if root == nil {
		return nil
	}
	root = desugar(schema, root)
	extends := root.child("extends")
	if extends == nil || extends.shape != scalar || extends.text == "" {
		return root
	}
	complain := func(found, expected, hint string) *node {
		l.mistakes = append(l.mistakes, extends.at.mistake("extends", found, expected, hint))
		l.partial = true
		return root
	}
	if len(chain) >= maxBases {
		return complain(fmt.Sprintf("a chain of more than %d scenarios", maxBases), "a scenario that extends no other at the end", "")
	}
	basePath, baseText, err := locate(extends.text, filepath.Dir(path))
	if err != nil {
		return complain(quote(extends.text), "a built-in scenario or a file", err.Error())
	}
	for _, seen := range append(chain, path) {
		if seen == basePath {
			return complain("a circle: "+strings.Join(append(chain, path, basePath), " extends "), "a scenario that extends no other at the end", "")
		}
	}
	base := l.layers(basePath, baseText, append(chain, path))
	if base == nil {
		l.partial = true
		return root
	}
	own := &node{shape: mapping, at: base.at}
	for _, e := range base.entries {
		if e.name != "name" && e.name != "about" && e.name != "extends" {
			own.entries = append(own.entries, e)
		}
	}
	return merge(own, root)
}

// Open loads a built-in scenario or a file, with changes as --set takes them. A
// built-in name goes before a file of the same name; ./NAME is always a file.
func Open(nameOrPath string, sets []string) (*Plan, error) {
	path, text, err := locate(nameOrPath, "")
	if err != nil {
		return nil, err
	}
	parsed, err := parseSets(sets)
	if err != nil {
		return nil, err
	}
	return Load(path, text, parsed)
}

func parseSets(sets []string) ([]Set, error) {
	var out []Set
	var all Mistakes
	for _, s := range sets {
		set, err := ParseSet(s)
		var m Mistakes
		if errors.As(err, &m) {
			all = append(all, m...)
			continue
		}
		out = append(out, set)
	}
	if len(all) > 0 {
		return nil, all
	}
	return out, nil
}

// locate finds a scenario and returns the name that messages use with its text.
func locate(nameOrPath, dir string) (string, []byte, error) {
	if text, err := Text(nameOrPath); err == nil && !strings.HasSuffix(nameOrPath, ".dbc") {
		return nameOrPath, text, nil
	}
	path := nameOrPath
	if dir != "" && !filepath.IsAbs(path) {
		path = filepath.Join(dir, path)
	}
	text, err := readFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		hint := "built in are " + oneOf(builtinNames())
		if near := didYouMean(nameOrPath, builtinNames()); near != "" {
			hint = near
		}
		return "", nil, fmt.Errorf("%s: no such file and no built-in scenario: %s", nameOrPath, hint)
	}
	return path, text, err
}

// readFile reads a text of at most MaxText bytes and one more, so that a longer
// one is noticed.
func readFile(path string) ([]byte, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, reason(err))
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, reason(err))
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s: a directory, expected a scenario file", path)
	}
	if info.Mode().IsRegular() && info.Size() > MaxText {
		return nil, fmt.Errorf("%s: %d bytes, a scenario has at most %d", path, info.Size(), MaxText)
	}
	text, err := io.ReadAll(io.LimitReader(file, MaxText+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, reason(err))
	}
	return text, nil
}

// reason strips an error of the file system of its path.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// Info describes a built-in scenario.
type Info struct {
	Name  string
	About string // in a sentence
}

// Builtins lists the built-in scenarios, the default first. The slice is the
// caller's.
func Builtins() []Info {
	var out []Info
	for _, name := range builtinNames() {
		text, err := Text(name)
		if err != nil {
			panic("scenarios: " + err.Error())
		}
		root, _ := parseText(&source{name: name}, text)
		if root == nil || root.child("about") == nil {
			panic("scenarios: the built-in scenario " + name + " says nothing about itself")
		}
		out = append(out, Info{name, strings.Join(strings.Fields(root.child("about").text), " ")})
	}
	return out
}

func builtinNames() []string {
	names := []string{Default}
	entries, err := builtins.ReadDir("builtin")
	if err != nil {
		panic("scenarios: " + err.Error())
	}
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".yaml"); ok && name != Default {
			names = append(names, name)
		}
	}
	slices.Sort(names[1:]) // the files are in the order of their names with the ending
	return names
}

// Text returns the text of a built-in scenario or, for NAME.dbc, of a built-in
// signal database.
func Text(name string) ([]byte, error) {
	if base, ok := strings.CutSuffix(name, ".dbc"); ok && slices.Contains(databaseNames(), base) {
		return builtins.ReadFile("builtin/" + name)
	}
	if strings.ContainsAny(name, "/\\.") || name == "" {
		return nil, fmt.Errorf("%s: no built-in scenario", quote(name))
	}
	text, err := builtins.ReadFile("builtin/" + name + ".yaml")
	if err != nil {
		hint := didYouMean(name, builtinNames())
		if hint == "" {
			hint = "there are " + oneOf(builtinNames())
		}
		return nil, fmt.Errorf("%s: no built-in scenario: %s", quote(name), hint)
	}
	return text, nil
}
