package signal

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// databaseSeeds are whole files and short texts of one construct.
func databaseSeeds(f *testing.F) (seeds [][]byte) {
	files, err := filepath.Glob("testdata/*.dbc")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		seeds = append(seeds, text)
	}
	for _, text := range []string{
		"", "\x00", "\xFF\xFEB\x00O\x00", wheels, simple, simple + "SG_MUL_VAL_ 1 S S 0-9;\nSG_MUL_VAL_ 1 b a 0-18446744073709551615;",
		wheels + "CM_ \"open\nBO_ 2 B: 8\n SG_ b : 0|8@1+ (1,0) [0|0] \"\n", wheels + "VAL_ 291 Speed 0 \"a\" 1\n// x\n;;\nNS_ :\n\tCM_\n",
		"BO_ 4294967295 3-.: 99999 X\r SG_ a m1M : 2147483647|64@0- (1E400,-.5e-3) [1|0] \"\\\"\r\x1A", wheels + "BA_ \"CycleTime\" BO_ 291 \"1e3\";BA_DEF_ \"ProtocolType\" ENUM \"J1939\",;",
	} {
		seeds = append(seeds, []byte(text))
	}
	return seeds
}

// Laws: no text makes it panic; every line is counted once, and the blank ones are
// blank; bad lines have mistakes; mistakes lie in the text and come in order; what
// is not absent can be decoded; parents and values make sense.
func FuzzParseDatabase(f *testing.F) {
	for _, text := range databaseSeeds(f) {
		f.Add(text)
	}
	f.Fuzz(lawsForText)
}

func lawsForText(t *testing.T, text []byte) {
	t.Helper()
	db, mistakes := ParseDatabase("f", text)
	lines := strings.Split(databaseText(text), "\n")
	require.Equal(t, linesOf(string(text)), db.Lines.Total())
	blank := 0
	for _, line := range lines[:linesOf(string(text))] {
		if strings.Trim(line, " \t\v\f\u00A0") == "" {
			blank++
		}
	}
	require.Equal(t, blank, db.Lines.Blank, "%+v", db.Lines)
	if db.Lines.Bad > 0 {
		require.NotEmpty(t, mistakes)
	}
	for i, m := range mistakes {
		require.LessOrEqual(t, m.Line, len(lines))
		require.LessOrEqual(t, m.Column, utf8.RuneCountInString(lines[m.Line-1])+1)
		require.NotEmpty(t, m.Found+m.Expected)
		if i > 0 {
			require.LessOrEqual(t, mistakes[i-1].Line, m.Line)
		}
	}
	for i := range db.Messages {
		checkMessageLaws(t, db, &db.Messages[i])
	}
}

func checkMessageLaws(t *testing.T, db *Database, m *Message) {
	t.Helper()
	require.True(t, m.ID.Valid())
	first, ok := db.Match(m.ID)
	require.True(t, ok)
	require.Equal(t, m.ID, first.ID)
	for i := range m.Signals {
		s := &m.Signals[i]
		if !s.Absent {
			require.NoError(t, s.Check())
		}
		require.Less(t, s.Parent, len(m.Signals))
		require.Equal(t, s.Parent == NoParent, len(s.Values) == 0 || s.Parent == NoParent)
		_, _, err := db.Signal(m.Name + "." + s.Name)
		if err != nil {
			require.Contains(t, err.Error(), "stands for several")
		}
	}
	_, definitions, _ := m.Paged()
	for i := range definitions {
		require.NoError(t, definitions[i].Check())
	}
	NewDecoder(m)
}

// megabyte is a database of a million bytes with the usual entries.
func megabyte() []byte {
	var text, rest strings.Builder
	text.WriteString("VERSION \"\"\n\nBU_: Drive Cab\n\n")
	for i := 0; text.Len()+rest.Len() < 1_000_000; i++ {
		number := 1<<31 + i
		fmt.Fprintf(&text, "BO_ %d Message%d: 8 Drive\n", number, i)
		for j := range 6 {
			fmt.Fprintf(&text, " SG_ Signal%d_%d : %d|10@1+ (0.125,-40) [-40|87.875] \"km/h\" Cab,Drive\n", i, j, 10*j)
			fmt.Fprintf(&rest, "CM_ SG_ %d Signal%d_%d \"What the signal means, in a line\";\n", number, i, j)
			fmt.Fprintf(&rest, "VAL_ %d Signal%d_%d 0 \"off\" 1 \"on\" 1023 \"unknown\" ;\n", number, i, j)
		}
		fmt.Fprintf(&rest, "BA_ \"GenMsgCycleTime\" BO_ %d 100;\n", number)
		text.WriteString("\n")
	}
	return []byte(text.String() + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 1000;\n" + rest.String())
}

func TestLargeDatabase(t *testing.T) {
	db, mistakes := ParseDatabase("f", megabyte())
	require.Empty(t, mistakes)
	require.Greater(t, len(db.Messages), 500)
	last := db.Messages[len(db.Messages)-1]
	require.Len(t, last.Signals, 6)
	require.Len(t, last.Signals[5].Labels, 3)
	require.NotEmpty(t, last.Signals[5].Comment)
	require.NotZero(t, last.CycleTime)
}

// Texts that made careless readers take the square of their length.
func TestHostileDatabases(t *testing.T) {
	const n = 100_000
	for name, text := range map[string]string{
		"open strings":       strings.Repeat("CM_ \"a\n", n),
		"quotes":             strings.Repeat("\"", 10*n),
		"quotes and letters": wheels + "CM_ " + strings.Repeat("\"a ", 3*n),
		"one line":           wheels + strings.Repeat("CM_ BO_ 7 \"a\";", n),
		"open then entries":  strings.Repeat("CM_ \"a\nBO_TX_BU_ 1 : a;\n x \"b\n", n/4),
		"semicolons":         wheels + "VAL_ 291 Speed 0 " + strings.Repeat("\"a\" ; b ", n),
		"brackets":           strings.Repeat("BO_ 1 A: 8\n SG_ a : 0|8@1+ (1,0) [", n/10),
		"bad lines":          strings.Repeat("x\nBO_\n", n),
		"same messages":      strings.Repeat("BO_ 1 A: 8\n", n/2) + strings.Repeat("CM_ BO_ 1 \"a\";\n", n/5),
		"same signals":       "BO_ 1 A: 8\n" + strings.Repeat(" SG_ a : 0|8@1+ (1,0) [0|0] \"\"\n", n/5) + strings.Repeat("CM_ SG_ 1 a \"a\";\n", n/5),
		"nested":             nestedSelectors(3000),
	} {
		t.Run(name, func(t *testing.T) {
			db, _ := ParseDatabase("f", []byte(text))
			require.Equal(t, linesOf(text), db.Lines.Total())
		})
	}
}

// nestedSelectors is a chain of n selectors, each behind the one before.
func nestedSelectors(n int) string {
	var text strings.Builder
	text.WriteString("BO_ 1 A: 8\n SG_ s0 M : 0|8@1+ (1,0) [0|0] \"\"\n")
	for i := range n {
		fmt.Fprintf(&text, " SG_ s%d m1M : 0|8@1+ (1,0) [0|0] \"\"\n", i+1)
	}
	for i := range n {
		fmt.Fprintf(&text, "SG_MUL_VAL_ 1 s%d s%d 1-1;\n", i+1, i)
	}
	return text.String()
}

func BenchmarkParseDatabase(b *testing.B) {
	text := megabyte()
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		ParseDatabase("f", text)
	}
}
