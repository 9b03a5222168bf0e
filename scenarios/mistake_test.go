package scenarios

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the printed texts into testdata")

// TestMistakes reads one broken scenario a file and compares the whole text that
// the user gets to see. The scenarios extend testdata/base.yaml, which has none.
func TestMistakes(t *testing.T) {
	base, err := os.ReadFile("testdata/base.yaml")
	require.NoError(t, err)
	files, err := filepath.Glob("testdata/mistakes/*.txtar")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 30)
	for _, name := range files {
		path, err := filepath.Abs(name)
		require.NoError(t, err)
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txtar"), func(t *testing.T) {
			archive, err := txtar.ParseFile(path)
			require.NoError(t, err)
			t.Chdir(t.TempDir())
			require.NoError(t, os.WriteFile("base.yaml", base, 0o644))
			var sets []string
			var want string
			for _, f := range archive.Files {
				switch f.Name {
				case "printed":
					want = string(f.Data)
				case "sets":
					sets = strings.Split(strings.TrimSpace(string(f.Data)), "\n")
				default:
					require.NoError(t, os.WriteFile(f.Name, f.Data, 0o644))
				}
			}
			plan, err := Open("scenario.yaml", sets)
			require.Error(t, err)
			require.Nil(t, plan)
			var mistakes Mistakes
			require.ErrorAs(t, err, &mistakes)
			got := err.Error() + "\n"
			if *update {
				last := &archive.Files[len(archive.Files)-1]
				last.Data = []byte(got)
				require.NoError(t, os.WriteFile(path, txtar.Format(archive), 0o644))
				return
			}
			require.Equal(t, want, got)
		})
	}
}

// Texts that are no YAML at all, and files that cannot be read.
func TestUnreadable(t *testing.T) {
	t.Chdir(t.TempDir())
	require.NoError(t, os.Mkdir("folder", 0o755))
	for name, text := range map[string]string{
		"empty.yaml":    "",
		"blank.yaml":    " \n\n",
		"comment.yaml":  "# nothing yet\n",
		"binary.yaml":   "\x7fELF\x00\x01",
		"utf16.yaml":    "\xff\xfeb\x00u\x00s\x00",
		"latin1.yaml":   "name: x\nabout: k\xfcrzer\n",
		"huge.yaml":     strings.Repeat("# a comment line\n", MaxText/16),
		"deep.yaml":     "bus: " + strings.Repeat("[", 100) + strings.Repeat("]", 100) + "\n",
		"deeper.yaml":   strings.Repeat("[", 100_000),
		"bomb.yaml":     "a: &a [x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b,*b,*b]\n",
		"carriage.yaml": "seed: x\r\nname: y\r\n",
	} {
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	for _, c := range []struct{ path, want string }{
		{"folder", "folder: a directory, expected a scenario file"},
		{"orchrad", "orchrad: no such file and no built-in scenario: did you mean orchard?"},
		{"mine.yaml", "mine.yaml: no such file and no built-in scenario: built in are " + oneOf(builtinNames())},
		{"empty.yaml", "empty.yaml: found an empty text, expected the keys of a scenario\n1 mistake in the scenario"},
		{"blank.yaml", "blank.yaml: found an empty text, expected the keys of a scenario\n1 mistake in the scenario"},
		{"comment.yaml", "comment.yaml:1:1: found an empty text, expected the keys of a scenario\n    1 | # nothing yet\n      | ^\n1 mistake in the scenario"},
		{"binary.yaml", "binary.yaml: found a binary file, expected a scenario in YAML\n1 mistake in the scenario"},
		{"utf16.yaml", "utf16.yaml: found UTF-16 text, expected UTF-8 text\n        save the file as UTF-8\n1 mistake in the scenario"},
		{"latin1.yaml", "latin1.yaml:2:9: found the byte 0xfc, which is not UTF-8, expected UTF-8 text\n        save the file as UTF-8\n1 mistake in the scenario"},
		{"huge.yaml", "huge.yaml: 1114112 bytes, a scenario has at most 1048576"},
	} {
		t.Run(c.path, func(t *testing.T) {
			_, err := Open(c.path, nil)
			require.EqualError(t, err, c.want)
		})
	}
	for path, part := range map[string]string{
		"deep.yaml": "nesting deeper than 32", "deeper.yaml": "not YAML", "bomb.yaml": "the alias *a",
		"carriage.yaml": "carriage.yaml:1:7: seed: found \"x\"",
	} {
		_, err := Open(path, nil)
		require.ErrorContains(t, err, part, path)
	}
	_, err := Load("large", make([]byte, MaxText+1), nil)
	require.EqualError(t, err, "large: found 1048577 bytes, expected at most 1048576 bytes in a scenario\n1 mistake in the scenario")
}

// A byte order mark, as some editors write it, is no mistake and moves no column.
func TestByteOrderMark(t *testing.T) {
	_, err := Load("x", []byte("\ufeffsede: 1\n"), nil)
	var m Mistakes
	require.True(t, errors.As(err, &m))
	require.Equal(t, [2]int{1, 1}, [2]int{m[0].Line, m[0].Column})
}
