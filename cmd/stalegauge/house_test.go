package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The rules of the house are tests. Each rule is a function from sources to
// complaints, so that it can be shown to fail too.

const (
	moduleName   = "stalegauge"
	longestFile  = 400 // lines
	longestFunc  = 60  // lines
	standardRoot = "../.."
)

// source is one parsed Go file.
type source struct {
	path string // from the top of the module, with slashes
	text string
	set  *token.FileSet
	file *ast.File
}

// folder is the package folder of the file.
func (s *source) folder() string { return path.Dir(s.path) }

// at prints a place in the file.
func (s *source) at(p token.Pos) string {
	return fmt.Sprintf("%s:%d", s.path, s.set.Position(p).Line)
}

// line is the line of a place.
func (s *source) line(p token.Pos) int { return s.set.Position(p).Line }

func (s *source) isTest() bool { return strings.HasSuffix(s.path, "_test.go") }

func parse(t *testing.T, name, text string) *source {
	t.Helper()
	s := &source{path: name, text: text, set: token.NewFileSet()}
	var err error
	s.file, err = parser.ParseFile(s.set, name, text, parser.ParseComments)
	require.NoError(t, err)
	return s
}

// allSources parses every Go file of the module.
func allSources(t *testing.T) []*source {
	t.Helper()
	var all []*source
	for name, text := range allFiles(t) {
		if strings.HasSuffix(name, ".go") {
			all = append(all, parse(t, name, text))
		}
	}
	slices.SortFunc(all, func(a, b *source) int { return strings.Compare(a.path, b.path) })
	require.NotEmpty(t, all)
	return all
}

// allFiles reads every file of the module but those in dot-folders below the
// top and those that are not kept.
func allFiles(t *testing.T) map[string]string {
	t.Helper()
	files := map[string]string{}
	require.NoError(t, filepath.WalkDir(standardRoot, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		relative, err := filepath.Rel(standardRoot, name)
		if err != nil {
			return err
		}
		relative = filepath.ToSlash(relative)
		switch {
		case d.IsDir() && relative == ".git":
			return fs.SkipDir
		case d.IsDir() || ignored(t, path.Base(relative)):
			return nil
		}
		text, err := os.ReadFile(name)
		files[relative] = string(text)
		return err
	}))
	return files
}

// ignored reports whether .gitignore keeps a name out of the project.
func ignored(t *testing.T, base string) bool {
	t.Helper()
	patterns, err := os.ReadFile(filepath.Join(standardRoot, ".gitignore"))
	require.NoError(t, err)
	return slices.ContainsFunc(strings.Fields(string(patterns)), func(p string) bool {
		hit, err := path.Match(strings.Trim(p, "/"), base)
		return err == nil && hit && base != moduleName
	})
}

func complaints(all []*source, rule func(*source) []string) []string {
	var out []string
	for _, s := range all {
		out = append(out, rule(s)...)
	}
	return out
}

func TestTopLevel(t *testing.T) {
	want := []string{"DEVELOPERS.md", "README.md", "bus", "cmd", "go.mod", "go.sum", "radio", "reports", "scenarios", "sim"}
	entries, err := os.ReadDir(standardRoot)
	require.NoError(t, err)
	var got []string
	for _, e := range entries {
		built := e.Name() == moduleName && !e.IsDir()
		if !strings.HasPrefix(e.Name(), ".") && !built && !ignored(t, e.Name()) {
			got = append(got, e.Name())
		}
	}
	require.Equal(t, want, got, "the top level of the project")
}

// rooms in the order in which a newcomer reads them. Imports point to the left;
// rooms of equal rank do not know of each other.
var rooms = map[string]int{"bus": 0, "radio": 0, "scenarios": 1, "sim": 2, "reports": 3, "cmd": 4}

// alone import nothing of the project.
var alone = []string{"sim/age", "bus/fate"}

func importRule(s *source) []string {
	var out []string
	room, _, _ := strings.Cut(s.path, "/")
	rank, known := rooms[room]
	if !known {
		return []string{s.path + ": lies in no room of the project"}
	}
	for _, i := range s.file.Imports {
		imported, _ := strconv.Unquote(i.Path.Value)
		inside, ours := strings.CutPrefix(imported, moduleName+"/")
		if !ours {
			continue
		}
		other, _, _ := strings.Cut(inside, "/")
		otherRank, known := rooms[other]
		own := inside == s.folder() // a test outside its package
		switch {
		case !known, otherRank > rank, otherRank == rank && other != room:
			out = append(out, s.at(i.Pos())+": "+room+" must not import "+inside)
		case slices.Contains(alone, s.folder()) && !own:
			out = append(out, s.at(i.Pos())+": "+s.folder()+" imports nothing of the project, found "+inside)
		}
	}
	return out
}

func TestImportsPointLeft(t *testing.T) {
	require.Empty(t, complaints(allSources(t), importRule))
	for _, bad := range [][2]string{
		{"bus/x.go", "radio"}, {"radio/x.go", "bus"}, {"bus/x.go", "sim"}, {"scenarios/x.go", "reports"},
		{"sim/age/x.go", "bus/fate"}, {"bus/fate/x.go", "bus"}, {"util/x.go", "bus"}, {"sim/x.go", "util"},
	} {
		s := parse(t, bad[0], fmt.Sprintf("package x\nimport %q\n", moduleName+"/"+bad[1]))
		require.Len(t, importRule(s), 1, "%s imports %s", bad[0], bad[1])
	}
}

// The models have no clock and no dice of their own. A test may wait, but it
// throws no dice that would fall otherwise the next time.
var (
	clock = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	// seeded are the names of math/rand/v2 that do not draw from its global source.
	seeded      = []string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "PCG", "ChaCha8", "Zipf"}
	randomTakes = []string{"math/rand", "crypto/rand", "hash/maphash"}
	models      = []string{"bus", "radio", "scenarios", "sim"}
)

func modelRule(s *source) []string {
	room, _, _ := strings.Cut(s.path, "/")
	if !slices.Contains(models, room) || strings.HasPrefix(s.path, "sim/live/") {
		return nil
	}
	var out []string
	names := map[string]string{}
	for _, i := range s.file.Imports {
		imported, _ := strconv.Unquote(i.Path.Value)
		name := path.Base(strings.TrimSuffix(imported, "/v2"))
		if i.Name != nil {
			name = i.Name.Name
		}
		names[name] = imported
		if slices.Contains(randomTakes, imported) || name == "." {
			out = append(out, s.at(i.Pos())+": a model must not import "+imported+" as "+name)
		}
	}
	ast.Inspect(s.file, func(n ast.Node) bool {
		selector, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		left, ok := selector.X.(*ast.Ident)
		if !ok || left.Obj != nil { // Obj: a variable of that name, not the package
			return true
		}
		bad := names[left.Name] == "time" && !s.isTest() && slices.Contains(clock, selector.Sel.Name) ||
			names[left.Name] == "math/rand/v2" && !slices.Contains(seeded, selector.Sel.Name)
		if bad {
			out = append(out, s.at(n.Pos())+": a model must not use "+left.Name+"."+selector.Sel.Name)
		}
		return true
	})
	return out
}

func TestModelsOwnNoClockAndNoDice(t *testing.T) {
	require.Empty(t, complaints(allSources(t), modelRule))
	for _, bad := range []string{
		"import \"time\"\nvar x = time.Now()", "import c \"time\"\nfunc f() { c.Sleep(1) }",
		"import \"math/rand\"", "import . \"time\"", "import \"crypto/rand\"",
		"import \"math/rand/v2\"\nvar x = rand.IntN(3)", "import r \"math/rand/v2\"\nvar f = r.Float64",
	} {
		require.NotEmpty(t, modelRule(parse(t, "sim/x.go", "package x\n"+bad+"\n")), bad)
		require.Empty(t, modelRule(parse(t, "sim/live/x.go", "package x\n"+bad+"\n")), bad)
	}
	good := "package x\nimport \"math/rand/v2\"\nvar rng = rand.New(rand.NewPCG(1, 2))\nfunc f(time struct{ Now int }) int { return time.Now }\n"
	require.Empty(t, modelRule(parse(t, "sim/x.go", good)))
}

// forbidden are words that promise what is not there yet.
var forbidden = regexp.MustCompile(`(?i)\bTODO\b|\bFIXME\b|\bplaceholder\b|\bnot (yet )?implemented\b`)

func TestForbiddenWords(t *testing.T) {
	for _, bad := range []string{"TODO: later", "a placeholder", "not yet implemented"} {
		require.Regexp(t, forbidden, bad)
	}
	for name, text := range allFiles(t) {
		if name == "cmd/stalegauge/house_test.go" || strings.HasPrefix(name, ".") {
			continue
		}
		for i, line := range strings.Split(text, "\n") {
			if hit := forbidden.FindString(line); hit != "" {
				t.Errorf("%s:%d: says %q", name, i+1, hit)
			}
		}
	}
}
