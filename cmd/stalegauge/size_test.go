package main

import (
	"fmt"
	"go/ast"
	"go/token"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// sizeRule bounds files and functions. The functions inside a function count
// with it. In tests the lines of composite literals do not count: a table of
// cases is data.
func sizeRule(s *source) []string {
	var out []string
	if n := strings.Count(s.text, "\n"); n > longestFile {
		out = append(out, fmt.Sprintf("%s: %d lines, at most %d", s.path, n, longestFile))
	}
	for _, d := range s.file.Decls {
		f, ok := d.(*ast.FuncDecl)
		if !ok || f.Body == nil {
			continue
		}
		n := s.line(f.End()) - s.line(f.Pos()) + 1
		if s.isTest() {
			n -= tableLines(s, f.Body)
		}
		if n > longestFunc {
			out = append(out, fmt.Sprintf("%s: %s has %d lines, at most %d", s.at(f.Pos()), f.Name.Name, n, longestFunc))
		}
	}
	return out
}

// tableLines counts the lines that outermost composite literals add.
func tableLines(s *source, body ast.Node) int {
	n := 0
	ast.Inspect(body, func(node ast.Node) bool {
		literal, ok := node.(*ast.CompositeLit)
		if ok {
			n += s.line(literal.End()) - s.line(literal.Pos())
		}
		return !ok
	})
	return n
}

func TestFilesAndFunctionsAreShort(t *testing.T) {
	require.Empty(t, complaints(allSources(t), sizeRule))
	long := "package x\nfunc f() {\n" + strings.Repeat("\tg()\n", longestFunc) + "}\n"
	require.Len(t, sizeRule(parse(t, "bus/x.go", long)), 1)
	require.Len(t, sizeRule(parse(t, "bus/x_test.go", long)), 1)
	require.Len(t, sizeRule(parse(t, "bus/x.go", "package x\n"+strings.Repeat("//\n", longestFile))), 1)
	table := "package x\nfunc f() {\n_ = []int{\n" + strings.Repeat("\t1,\n", longestFunc) + "}\n}\n"
	require.Len(t, sizeRule(parse(t, "bus/x.go", table)), 1)
	require.Empty(t, sizeRule(parse(t, "bus/x_test.go", table)))
}

// documentRule asks for a comment on every exported name: of a function, method
// or type one that starts with the name, of a constant or variable one on the
// name or on its group.
func documentRule(s *source) []string {
	if s.isTest() {
		return nil
	}
	var out []string
	missing := func(p token.Pos, name string) {
		out = append(out, s.at(p)+": "+name+" is not documented")
	}
	for _, d := range s.file.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && exportedReceiver(d) && !documents(d.Doc, d.Name.Name) {
				missing(d.Pos(), d.Name.Name)
			}
		case *ast.GenDecl:
			for _, spec := range d.Specs {
				switch spec := spec.(type) {
				case *ast.TypeSpec:
					alone := len(d.Specs) == 1
					if spec.Name.IsExported() && !documents(spec.Doc, spec.Name.Name) && !(alone && documents(d.Doc, spec.Name.Name)) {
						missing(spec.Pos(), spec.Name.Name)
					}
				case *ast.ValueSpec:
					for _, name := range spec.Names {
						if name.IsExported() && spec.Doc == nil && spec.Comment == nil && d.Doc == nil {
							missing(name.Pos(), name.Name)
						}
					}
				}
			}
		}
	}
	return out
}

// documents reports whether a comment starts with the name, after an article
// where it has one.
func documents(c *ast.CommentGroup, name string) bool {
	if c == nil {
		return false
	}
	text := c.Text()
	for _, article := range []string{"A ", "An ", "The "} {
		text = strings.TrimPrefix(text, article)
	}
	rest, ok := strings.CutPrefix(text, name)
	return ok && (rest == "" || !token.IsIdentifier(rest[:1]))
}

// exportedReceiver is false for a method of a type that nobody outside sees.
func exportedReceiver(f *ast.FuncDecl) bool {
	if f.Recv == nil {
		return true
	}
	t := f.Recv.List[0].Type
	for {
		switch x := t.(type) {
		case *ast.StarExpr:
			t = x.X
		case *ast.IndexExpr:
			t = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return true
		}
	}
}

func TestExportedNamesAreDocumented(t *testing.T) {
	all := allSources(t)
	require.Empty(t, complaints(all, documentRule))
	described := map[string]bool{}
	for _, s := range all {
		described[s.folder()] = described[s.folder()] || s.file.Doc != nil && !s.isTest()
	}
	for folder, ok := range described {
		require.True(t, ok, "the package in %s has no comment", folder)
	}
	for _, bad := range []string{
		"func F() {}", "// It is.\nfunc F() {}", "type T int", "const C = 1", "var V int",
		"type T int\n// Foo\nfunc (t T) M() {}", "// Functions\nfunc F() {}",
	} {
		require.NotEmpty(t, documentRule(parse(t, "bus/x.go", "package x\n"+bad+"\n")), bad)
	}
	for _, good := range []string{
		"// F works.\nfunc F() {}", "// A T is.\ntype T int", "// Both.\nconst (\n\tA = 1\n\tB = 2\n)",
		"const C = 1 // one", "type t int\nfunc (t) String() string { return \"\" }", "func f() {}",
	} {
		require.Empty(t, documentRule(parse(t, "bus/x.go", "package x\n"+good+"\n")), good)
	}
}
