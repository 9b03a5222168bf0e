package signal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// wheels is a sound beginning for texts of one more entry.
const wheels = "BO_ 291 Wheels: 8 Drive\n SG_ Speed : 0|16@1+ (0.5,-40) [0|200] \"km/h\" Cab\n"

// oneConstruct is a text, what is wrong with it, and what it must give.
type oneConstruct struct {
	text     string
	mistakes []string
	check    func(t *testing.T, db *Database)
}

func checkConstructs(t *testing.T, rows map[string]oneConstruct) {
	t.Helper()
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			db, mistakes := ParseDatabase("f", []byte(row.text))
			var texts []string
			for _, m := range mistakes {
				texts = append(texts, m.Error())
			}
			require.Equal(t, row.mistakes, texts)
			require.Equal(t, linesOf(row.text), db.Lines.Total(), "%+v", db.Lines)
			if row.check != nil {
				row.check(t, db)
			}
		})
	}
}

func find(t *testing.T, db *Database, name string) *MessageSignal {
	t.Helper()
	m, at, err := db.Signal(name)
	require.NoError(t, err)
	return &m.Signals[at]
}

func hasUnit(unit string) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) { require.Equal(t, unit, db.Messages[0].Signals[0].Unit) }
}

func hasComment(text string) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) { require.Equal(t, text, db.Comment) }
}

func hasLabels(labels ...string) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		var texts []string
		for _, l := range find(t, db, "Speed").Labels {
			texts = append(texts, l.Text)
		}
		require.Equal(t, labels, texts)
	}
}

func hasMessages(names ...string) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		var found []string
		for i := range db.Messages {
			found = append(found, db.Messages[i].Name)
		}
		require.Equal(t, names, found)
	}
}

func withUnit(unit string) string {
	return "BO_ 1 A: 1 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"" + unit + "\" X\n"
}

// Bytes and lines.
func TestDatabaseBytes(t *testing.T) {
	every := make([]byte, 0, 256)
	for b := 0x80; b < 0x100; b++ {
		every = append(every, byte(b))
	}
	checkConstructs(t, map[string]oneConstruct{
		"byte order mark":     {text: "\xEF\xBB\xBF" + wheels, check: hasMessages("Wheels")},
		"UTF-8":               {text: withUnit("°C"), check: hasUnit("°C")},
		"Windows-1252":        {text: withUnit("\xB0C \x80"), check: hasUnit("°C €")},
		"CR":                  {text: "BO_ 1 A: 1 X\r SG_ a : 0|8@1+ (1,0) [0|0] \"u\" X\r", check: hasUnit("u")},
		"CRLF":                {text: "BO_ 1 A: 1 X\r\n SG_ a : 0|8@1+ (1,0) [0|0] \"u\" X\r\n", check: hasUnit("u")},
		"NUL at the end":      {text: wheels + "\x00\x00", check: hasMessages("Wheels")},
		"Ctrl-Z at the end":   {text: wheels + "\x1A", check: hasMessages("Wheels")},
		"no last end of line": {text: withUnit("u")[:len(withUnit("u"))-1], check: hasUnit("u")},
		"UTF-16":              {text: "\xFF\xFEB\x00O\x00_\x00 \x001\x00 \x00A\x00:\x001\x00", check: hasMessages("A")},
		"every byte is a character": {text: wheels + "CM_ \"" + string(every) + "\";", check: func(t *testing.T, db *Database) {
			require.Len(t, []rune(db.Comment), 128)
		}},
		"no printable unit": {withUnit("a\x07b"), []string{`f:2:29: warning: found the unit "a\ab", expected characters that can be printed; kept with spaces in place of the others`}, hasUnit("a b")},
		"empty":             {"", []string{`f:1:1: error: found an empty file, expected a signal database in text form, with messages such as: BO_ 291 Wheels: 8 Drive; there are no messages`}, hasMessages()},
		"a picture":         {"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x10", []string{`f:3:1: error: found zero bytes: this is no text, expected the text of a signal database; nothing is read`}, hasMessages()},
		"a log": {"(1.5) can0 123#00\n(1.6) can0 123#01\n", []string{
			`f:1:1: error: found "(1.5)", expected a word that begins an entry, such as BO_, SG_ or CM_; skipped, up to line 2`,
			`f:1:1: error: found no line that begins an entry, expected a signal database in text form, with messages such as: BO_ 291 Wheels: 8 Drive; there are no messages`}, hasMessages()},
	})
}

// Strings, and how reading goes on after a mistake.
func TestDatabaseRecovery(t *testing.T) {
	const lost = "line skipped"
	checkConstructs(t, map[string]oneConstruct{
		"string with end of line": {text: wheels + "CM_ \"a\nb\";\n", check: hasComment("a\nb")},
		"string with semicolon":   {text: wheels + "CM_ \"a;b\";\n", check: hasComment("a;b")},
		"escaped quote":           {text: wheels + `CM_ "a \"b\"; c";`, check: hasComment(`a "b"; c`)},
		"inner quote":             {text: wheels + `CM_ "a "b" c";`, check: hasComment(`a "b" c`)},
		"inner quote, semicolon":  {text: wheels + `CM_ "a "b"; c";`, check: hasComment(`a "b"; c`)},
		"backslash at the end":    {text: wheels + "CM_ \"a\\\";\n", check: hasComment(`a\`)},
		"entry in a string": {text: wheels + "CM_ \"a\nBO_ 5 No: 8 X\nb\";\n", check: func(t *testing.T, db *Database) {
			hasMessages("Wheels")(t, db)
			hasComment("a\nBO_ 5 No: 8 X\nb")(t, db)
		}},
		"inner quote in a label": {text: wheels + `VAL_ 291 Speed 0 "a "b" c" 1 "5" tyre" 2 "x";`, check: hasLabels(`a "b" c`, `5" tyre`, "x")},
		"inner quote in a unit":  {text: withUnit(`"`), check: hasUnit(`"`)},
		"unit of two lines": {text: withUnit("a\nb"), check: func(t *testing.T, db *Database) { require.Equal(t, "a b", db.Messages[0].Signals[0].Unit) },
			mistakes: []string{`f:2:29: warning: found the unit "a\nb", expected characters that can be printed; kept with spaces in place of the others`}},
		"two entries on a line": {text: wheels + `CM_ "a";CM_ BO_ 291 "b";`, check: func(t *testing.T, db *Database) { require.Equal(t, "b", db.Messages[0].Comment) }},
		"open string": {wheels + "CM_ \"open\nBO_ 2 B: 8 X\n SG_ b : 0|8@1+ (1,0) [0|0] \"u\" X\n",
			[]string{`f:3:5: error: found "\"open", expected a comment that closes: a quote and a semicolon; comment skipped`}, hasMessages("Wheels", "B")},
		"open unit": {" BO_ 1 A: 1 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"u X\n" + wheels,
			[]string{`f:2:29: error: found "\"u", expected a unit that closes; signal kept, the rest of the line taken as its unit`}, hasMessages("A", "Wheels")},
		"open label":    {wheels + "VAL_ 291 Speed 0 \"a\" 1 \"b\nCM_ \"c\";\n", []string{`f:3:24: error: found "\"b", expected a label that closes; the entry's other labels skipped`}, hasComment("c")},
		"missing label": {wheels + "VAL_ 291 Speed 0 \"a\" 1\nCM_ \"c\";\n", []string{`f:3:23: error: found the end of the line, expected a label in quotes; the entry's other labels skipped`}, hasComment("c")},
		"unknown word":  {wheels + "FOO_ 1;\nCM_ \"c\";\n", []string{`f:3:1: error: found "FOO_", expected a word that begins an entry, such as BO_, SG_ or CM_; ` + lost}, hasComment("c")},
		"bad lines":     {"x\ny \"z\n" + wheels, []string{`f:1:1: error: found "x", expected a word that begins an entry, such as BO_, SG_ or CM_; skipped, up to line 2`}, hasMessages("Wheels")},
		"every mistake": {"BO_ 1\nBO_ x A: 1\nBO_ 2 B 1\n" + wheels, []string{
			`f:1:6: error: found the end of the line, expected the message's name; message skipped with its signals`,
			`f:2:5: error: found "x", expected the message's identifier, a number from 0 to 4294967295; message skipped with its signals`,
			`f:3:9: error: found "1", expected a colon after the message's name; message skipped with its signals`}, hasMessages("Wheels")},
		"missing sender":  {text: "BO_ 1 A: 1\nBO_ 2 B: 1 \n", check: hasMessages("A", "B")},
		"empty receivers": {text: "BO_ 1 A: 1 X\n SG_ a : 0|4@1+ (1,0) [0|0] \"\"\n SG_ b : 4|4@1+ (1,0) [0|0] \"\" \n", check: func(t *testing.T, db *Database) { require.Len(t, db.Messages[0].Signals, 2) }},
		"receivers": {text: "BO_ 1 A: 1 X\n SG_ a : 0|4@1+ (1,0) [0|0] \"\" B, C  D,Vector__XXX\n", check: func(t *testing.T, db *Database) {
			require.Equal(t, []string{"B", "C", "D"}, db.Messages[0].Signals[0].Receivers)
		}},
		"signal, no message": {"SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\n" + wheels, []string{`f:1:1: error: found "SG_", expected a message (BO_) before its signals; signal skipped`}, hasMessages("Wheels")},
		"signals of a message that was skipped": {"BO_ x A: 1\n SG_ a : 0|8@1+ (1,0) [0|0] \"\"\n" + wheels,
			[]string{`f:1:5: error: found "x", expected the message's identifier, a number from 0 to 4294967295; message skipped with its signals`},
			func(t *testing.T, db *Database) {
				require.Equal(t, []Count{{"signal of a message that was skipped", 1}}, db.Skipped)
				require.Equal(t, Lines{Read: 2, Skipped: 1, Bad: 1}, db.Lines)
			}},
	})
}

// Entries that are kept, and those that are only counted.
func TestDatabaseEntries(t *testing.T) {
	checkConstructs(t, map[string]oneConstruct{
		"version and nodes": {text: "VERSION \"3\"\nBU_: Drive Cab\n  Pump\n\n" + wheels, check: func(t *testing.T, db *Database) {
			require.Equal(t, "3", db.Version)
			require.Equal(t, []string{"Drive", "Cab", "Pump"}, db.Nodes)
		}},
		"message": {text: wheels, check: func(t *testing.T, db *Database) {
			m := &db.Messages[0]
			require.Equal(t, "Wheels 123 8 Drive 1", m.Name+" "+m.ID.String()+" 8 "+m.Sender+" 1")
			require.Equal(t, 8, m.Length)
			want := Definition{Name: "Speed", Unit: "km/h", Bits: 16, Scale: 0.5, Offset: -40, Page: AnyPage}
			require.Equal(t, want, m.Signals[0].Definition)
			require.True(t, m.Signals[0].Outside(200.5))
			require.False(t, m.Signals[0].Outside(200))
		}},
		"float":                  {text: "BO_ 1 A: 8\n SG_ a : 0|32@1- (1,0) [0|0] \"\"\nSIG_VALTYPE_ 1 a : 1;\n", check: func(t *testing.T, db *Database) { require.True(t, find(t, db, "a").Float) }},
		"float without colon":    {text: "BO_ 1 A: 8\n SG_ a : 0|64@1- (1,0) [0|0] \"\"\nSIG_VALTYPE_ 1 a 2;\n", check: func(t *testing.T, db *Database) { require.True(t, find(t, db, "a").Float) }},
		"float of another width": {wheels + "SIG_VALTYPE_ 291 Speed : 1;\n", []string{`f:3:26: warning: found a floating point number of 32 bits for signal Speed of 16, expected the same width; signal kept as an integer`}, func(t *testing.T, db *Database) { require.False(t, find(t, db, "Speed").Float) }},
		"unknown form":           {wheels + "SIG_VALTYPE_ 291 Speed : 7;\n", []string{`f:3:26: error: found "7;", expected 0 (integer), 1 (floating point of 32 bits) or 2 (64 bits); entry skipped`}, nil},
		"labels": {text: wheels + "VAL_ 291 Speed 0 \"still\" 65535 \"unknown\" ;", check: func(t *testing.T, db *Database) {
			text, ok := find(t, db, "Speed").Label(65535)
			require.True(t, ok)
			require.Equal(t, "unknown", text)
		}},
		"negative label": {text: "VAL_ 1 a -1 \"minus\";\nBO_ 1 A: 1\n SG_ a : 0|4@1- (1,0) [0|0] \"\"\n", check: func(t *testing.T, db *Database) {
			text, _ := find(t, db, "a").Label(15)
			require.Equal(t, "minus", text)
		}},
		"value table":   {text: wheels + "VAL_TABLE_ Yes 1 \"yes\" 0 \"no\" ;\nVAL_ 291 Speed Yes;\n", check: hasLabels("yes", "no")},
		"no such table": {wheels + "VAL_ 291 Speed Yes;\n", []string{`f:3:6: warning: found the value table "Yes", expected a table of the database (VAL_TABLE_); entry skipped`}, nil},
		"labels of a variable": {text: wheels + "VAL_ Lever 0 \"a\" ;\n", check: func(t *testing.T, db *Database) {
			require.Equal(t, []Count{{"VAL_ of an environment variable", 1}}, db.Skipped)
		}},
		"comments": {text: wheels + "CM_ BU_ Cab \"c\";\nCM_ BO_ 291 \"m\";\nCM_ SG_ 291 Speed \"s\";\n", check: func(t *testing.T, db *Database) {
			require.Equal(t, "m s", db.Messages[0].Comment+" "+find(t, db, "Speed").Comment)
		}},
		"comment on nothing":     {wheels + "CM_ SG_ 291 Sped \"s\";\nCM_ BO_ 5 \"m\";\n", []string{`f:3:9: warning: found the signal "Sped", expected a signal of message Wheels; entry skipped`, `f:4:9: warning: found message 5 (005), expected a message of the database; entry skipped`}, nil},
		"cycle time":             {text: wheels + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 1;\nBA_ \"GenMsgCycleTime\" BO_ 291 20;\n", check: hasCycle(20*time.Millisecond, false)},
		"cycle time as a string": {text: wheels + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 1;\nBA_ \"GenMsgCycleTime\" BO_ 291 \"20\";\n", check: hasCycle(20*time.Millisecond, false)},
		"cycle time by default":  {text: wheels + "BA_DEF_ BO_ \"GenMsgCycleTime\" FLOAT 0 1;\nBA_DEF_DEF_ \"GenMsgCycleTime\" 2.5;\n", check: hasCycle(2500*time.Microsecond, true)},
		"late declaration":       {text: "BA_ \"GenMsgCycleTime\" BO_ 291 20;\n" + wheels + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 1;\n", check: hasCycle(20*time.Millisecond, false)},
		"undeclared":             {wheels + "BA_ \"Cycle_Time\" BO_ 291 20;\n", []string{`f:3:22: warning: found the attribute "Cycle_Time", expected one that is declared (BA_DEF_); value kept`}, hasCycle(20*time.Millisecond, false)},
		"no cycle time":          {wheels + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 1;\nBA_ \"GenMsgCycleTime\" BO_ 291 -5;\n", []string{`f:4:27: warning: found a cycle time of "-5", expected milliseconds, from 0 to 1000000000; value skipped`}, hasCycle(0, false)},
		"odd attribute":          {text: wheels + "BA_ \"Fürs  Büro, 2.\" BO_ 291 \"x\";\n", check: func(t *testing.T, db *Database) { require.Equal(t, []Count{{"BA_ of no use here", 1}}, db.Skipped) }},
		"unquoted enumeration":   {text: wheels + "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"StandardCAN_FD\";\nBA_ \"VFrameFormat\" BO_ 291 StandardCAN_FD;\n", check: isFD},
		"enumeration by number":  {text: wheels + "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"StandardCAN_FD\";\nBA_ \"VFrameFormat\" BO_ 291 1;\n", check: isFD},
		"number of no label":     {wheels + "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\";\nBA_ \"VFrameFormat\" BO_ 291 7;\n", []string{`f:4:24: warning: found value 7 of attribute "VFrameFormat", expected 0 to 0, the number of a label; value skipped`}, nil},
		"start value":            {text: wheels + "BA_DEF_ SG_ \"GenSigStartValue\" INT 0 1;\nBA_ \"GenSigStartValue\" SG_ 291 Speed 100;\n", check: func(t *testing.T, db *Database) { require.Equal(t, 10.0, find(t, db, "Speed").Initial) }},
		"senders":                {text: wheels + "BO_TX_BU_ 291 : Drive,Cab;\n", check: func(t *testing.T, db *Database) { require.Equal(t, []string{"Drive", "Cab"}, db.Messages[0].Senders) }},
		"missing semicolon":      {wheels + "CM_ \"c\"\nBO_TX_BU_ 291 : Cab;\n", []string{`f:3:8: warning: found the end of the line, expected a semicolon; entry kept`}, hasComment("c")},
		"more than an entry":     {wheels + "CM_ \"c\" d;\nBO_TX_BU_ 291 : Cab;\n", []string{`f:3:5: error: found "\"c\"", expected a comment that closes: a quote and a semicolon; comment skipped`}, nil},
		"entries that are counted": {text: wheels + "EV_ e: 0 [0|1] \"\" 0 1 X Y;\nSIG_GROUP_ 291 G 1 : Speed;\nBA_DEF_REL_ BU_SG_REL_ \"n\" STRING ;\nBS_: 500\nNS_ :\n\tCM_\n\tBO_\n\nEV_ f: 0 [0|1] \"a;\nb\" 0 1 X Y;\n", check: func(t *testing.T, db *Database) {
			require.Equal(t, []Count{{"BA_DEF_REL_", 1}, {"BS_", 1}, {"EV_", 2}, {"NS_", 1}, {"SIG_GROUP_", 1}}, db.Skipped)
			require.Equal(t, Lines{Read: 2, Skipped: 9, Blank: 1}, db.Lines)
		}},
		"remarks": {text: "// a \"remark\n" + wheels + "CM_ \"c\"; // BO_ 1\n", check: func(t *testing.T, db *Database) { hasComment("c")(t, db); require.Equal(t, 1, db.Lines.Remarks) }},
	})
}

func hasCycle(want time.Duration, byDefault bool) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		require.Equal(t, want, db.Messages[0].CycleTime)
		require.Equal(t, byDefault, db.Messages[0].CycleTimeDefault)
	}
}

func isFD(t *testing.T, db *Database) { require.True(t, db.Messages[0].FD) }

func hasID(text string) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		id, err := bus.ParseID(text)
		require.NoError(t, err)
		require.Equal(t, id, db.Messages[0].ID)
	}
}
