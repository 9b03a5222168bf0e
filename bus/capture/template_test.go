package capture

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func template(t testing.TB, text string) *LineTemplate {
	t.Helper()
	out, err := ParseTemplate(text)
	require.NoError(t, err)
	return out
}

// A logger prints whatever it likes; the template says where things stand.
func TestTemplate(t *testing.T) {
	for _, c := range []struct {
		name, pattern, text string
		want                []string
	}{
		{
			"all groups", `^(?P<t>[0-9.]+)\s+(?P<ch>\w+)\s+(?P<dir>[RT]x)\s+(?P<id>[0-9A-F]+)(?P<ext>x?)\s+d\s+(?P<dlc>\d+)\s*(?P<data>[0-9A-F ]*)$`,
			"begin of log\n 0.001000 1  Rx 123  d 3 01 02 03\n 0.002000 1  Rx 18FEF100x  d 2 0A 0B\n 0.003000 2  Rx 0C1x d 0\n 0.003500 2  Rx 0C1x d 0 \n",
			[]string{"0 123 [3] 010203", "1000000 18FEF100 [2] 0A0B", "2000000 000000C1 [0] ", "2500000 000000C1 [0] "},
		},
		{
			"milliseconds and decimal identifiers", `ID=(?P<id>\d+) t=(?P<t>\d+) \[(?P<data>[^]]*)\]`,
			"ID=2047 t=1000 [FF] ok\nID=419361024 t=1010 [01-02-03]\n",
			[]string{"0 7FF [1] FF", "10000000 18FEF100 [3] 010203"},
		},
		{
			"time of day, lower case", `(?P<t>\d\d:\d\d:\d\d\.\d+) > (?P<id>0x[0-9a-f]+) ?(?P<data>[0-9a-f]*)`,
			"12:00:00.5 > 0x12a 0aff\n12:00:00.75 > 0x7ff \n",
			[]string{"0 12A [2] 0AFF", "250000000 7FF [0] "},
		},
	} {
		frames, report := read(t, c.text, Options{Template: template(t, c.pattern)})
		require.Equal(t, c.want, frames, c.name)
		require.Equal(t, Template, report.Shape)
	}
}

// How each group is read is said, and can be asked for.
func TestTemplateLayout(t *testing.T) {
	pattern := template(t, `(?P<t>\d+) (?P<id>\d+) (?P<data>[0-9A-F]*)`)
	text := "10 100 AA\nwhat is this\n20 101 BB\n"
	_, report := read(t, text, Options{Template: pattern})
	require.Equal(t, []string{
		"time: group t, in ms, a guess by the values: state the unit if it is wrong",
		"identifier: group id, hex, a guess by the number of digits", "data: group data, hex",
		"1 line of 3 not understood", `  line 2: the line template does not match: "what is this"`,
	}, report.Notes())
	frames, report := read(t, text, Options{Template: pattern, IDBase: 10, TimeUnit: ms * 1000})
	require.Equal(t, []string{"0 064 [1] AA", "1000000 065 [1] BB after gap"}, frames)
	require.Contains(t, report.Layout, "identifier: group id, decimal, as asked for")

	_, err := NewReader("test", strings.NewReader("one\ntwo\n"), Options{Template: pattern})
	require.ErrorContains(t, err, "test is no capture: the line template reads none of the first lines\n  line 1: the line template does not match: \"one\"")
}

func TestTemplateMistakes(t *testing.T) {
	for text, says := range map[string]string{
		`(?P<t>`:                    "missing closing )",
		`x`:                         "no group (?P<t>...)\nno group (?P<id>...)\nno group (?P<data>...)",
		`(?P<t>a)(?P<id>b)(?P<x>c)`: "a group \"x\", expected only t, id, ext, ch, dlc, data, dir\nno group (?P<data>...)",
		strings.Repeat("x", 1001):   "a template of 1001 bytes, expected at most 1000",
		strings.Repeat("(x)", 170):  "170 groups, expected at most 159",
		`(?P<t>a){9999}`:            "invalid repeat count",
	} {
		_, err := ParseTemplate(text)
		require.ErrorContains(t, err, says)
	}
	require.Equal(t, `(?P<t>a)(?P<id>b)(?P<data>c)`, template(t, `(?P<t>a)(?P<id>b)(?P<data>c)`).String())
}

// Columns with names of their own are pointed at, by name or number.
func TestColumns(t *testing.T) {
	for _, c := range []struct {
		name, text string
		columns    Columns
		want       []string
	}{
		{
			"by name", "when;who;what\n0.001;123;AABB\n0.002;18FEF100;01\n",
			Columns{Time: "When", ID: "who", Data: "what"}, []string{"0 123 [2] AABB", "1000000 18FEF100 [1] 01"},
		},
		{
			"by number, a header all the same", "when;who;what\n0.001;123;AABB\n",
			Columns{Time: "1", ID: "2", Data: "3"}, []string{"0 123 [2] AABB"},
		},
		{
			"by number, no header", "x,AABB,123,5.001\ny,CC,124,5.002\n",
			Columns{Time: "4", ID: "3", Data: "2"}, []string{"0 123 [2] AABB", "1000000 124 [1] CC"},
		},
		{
			"bytes by range of numbers", "0.1,123,2,11,22,0\n0.2,124,3,11,22,33\n",
			Columns{Time: "1", ID: "2", Length: "3", Data: "4-6"}, []string{"0 123 [2] 1122", "100000000 124 [3] 112233"},
		},
		{
			"bytes by range of names", "s\tnr\tfirst\tsecond\n0.1\t123\t1\t2\n0.2\t123\t3\t4\n",
			Columns{Time: "s", ID: "nr", Data: "first-second"}, []string{"0 123 [2] 0102", "100000000 123 [2] 0304"},
		},
		{
			"one column named, the others known", "time_ms,raw id,data,id\n1,123,AA,999999999999\n2,124,BB,999999999999\n",
			Columns{ID: "raw id"}, []string{"0 123 [1] AA", "1000000 124 [1] BB"},
		},
		{
			"width, channel and direction", "t,n,w,d,c,r\n0.1,123,29,AA,one,tx\n0.2,123,11,BB,two,rx\n",
			Columns{Time: "t", ID: "n", Extended: "w", Data: "d", Channel: "c", Direction: "r"}, []string{"0 00000123 [1] AA", "100000000 123 [1] BB"},
		},
	} {
		frames, report := read(t, c.text, Options{Columns: c.columns})
		require.Equal(t, c.want, frames, c.name)
		require.Equal(t, CSV, report.Shape)
		require.Contains(t, report.Layout[0], "columns as asked for")
	}
	frames, report := read(t, "time_s,id,data\n0,100,AA\n", Options{IDBase: 10})
	require.Equal(t, []string{"0 064 [1] AA"}, frames)
	require.Contains(t, report.Layout, "identifier: column 2, decimal, as asked for")
}

func TestColumnMistakes(t *testing.T) {
	for _, c := range []struct {
		text    string
		columns Columns
		says    string
	}{
		{"a,b,c\n1,2,3\n", Columns{Time: "a", ID: "x", Data: "c"}, `no column "x": line 1 has a, b, c`},
		{"a,b,c\n1,2,3\n", Columns{Time: "x", ID: "b", Data: "c"}, `no column "x": line 1 has a, b, c`},
		{"just text\n", Columns{Time: "x", ID: "b", Data: "c"}, "the columns are named, but the file has none"},
		{"a,b,c\n1,2,3\n", Columns{Time: "a", ID: "b"}, "no data column is named"},
		{"a,b,c\n1,2,x\n", Columns{Time: "a", ID: "b", Data: "c"}, "no row is a frame with the columns as they are named"},
	} {
		_, err := NewReader("test", strings.NewReader(c.text), Options{Columns: c.columns})
		require.ErrorContains(t, err, c.says)
	}
}

// What an option cannot do for a file of its shape is said: it is no mistake, since
// another file of the capture may need it.
func TestOptionsWithoutEffectAreSaid(t *testing.T) {
	text, csv := ordinary(3)
	pattern, err := ParseTemplate(`^(?<t>\S+) (?<id>\S+) (?<data>\S+)$`)
	require.NoError(t, err)
	const says = "without effect on this file, which is of another shape: "
	for _, row := range []struct {
		file []byte
		o    Options
		want string
	}{
		{text, Options{IDBase: 16, TimeUnit: 1000 * ms, LittleEndianIDs: true}, "id_base, time_unit, id_order"},
		{csv, Options{IDBase: 16, TimeUnit: 1000 * ms, LittleEndianIDs: true}, "id_order"},
		{packetFile(text), Options{IDBase: 16, Columns: Columns{Time: "t"}}, "columns, id_base"},
		{packetFile(text), Options{Template: pattern}, "line_template"},
	} {
		_, report := read(t, string(row.file), row.o)
		require.Contains(t, report.Notes(), says+row.want)
	}
	_, report := read(t, string(text), Options{})
	require.NotContains(t, strings.Join(report.Notes(), "\n"), says)
}
