package signal

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// one is a message of one signal, written behind its name.
func one(signal string) string { return "BO_ 1 A: 8 X\n SG_ " + signal + " X\n" }

// gives checks the physical value of signal a in data.
func gives(want float64, data ...byte) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		decoded := NewDecoder(&db.Messages[0]).Append(nil, data)
		require.NotEmpty(t, decoded)
		require.Equal(t, want, decoded[0].Value)
	}
}

// carries checks which signals are present in data of the first message.
func carries(names string, data ...byte) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		m := &db.Messages[0]
		var found []string
		for i := range m.Signals {
			if m.Present(i, data) {
				found = append(found, m.Signals[i].Name)
			}
		}
		require.Equal(t, names, strings.Join(found, " "))
		require.Len(t, NewDecoder(m).Append(nil, data), len(found))
	}
}

func all(checks ...func(*testing.T, *Database)) func(*testing.T, *Database) {
	return func(t *testing.T, db *Database) {
		for _, check := range checks {
			check(t, db)
		}
	}
}

// Identifiers, names and numbers.
func TestDatabaseIdentifiers(t *testing.T) {
	long := strings.Repeat("n", 129)
	checkConstructs(t, map[string]oneConstruct{
		"11 bit":           {text: "BO_ 2047 A: 8 X\n", check: hasID("7FF")},
		"29 bit":           {text: "BO_ 2147483649 A: 8 X\n", check: hasID("00000001")},
		"same number":      {text: "BO_ 1 A: 8 X\nBO_ 2147483649 B: 8 X\n", check: hasMessages("A", "B")},
		"29 bit, no flag":  {"BO_ 2048 A: 8 X\n", []string{`f:1:5: warning: found 2048, expected an 11-bit identifier up to 2047 (7FF), or a 29-bit one with bit 31 set; read as the 29-bit identifier 00000800`}, hasID("00000800")},
		"comment, no flag": {"BO_ 2048 A: 8 X\nCM_ BO_ 2048 \"c\";\n", []string{`f:1:5: warning: found 2048, expected an 11-bit identifier up to 2047 (7FF), or a 29-bit one with bit 31 set; read as the 29-bit identifier 00000800`}, func(t *testing.T, db *Database) { require.Equal(t, "c", db.Messages[0].Comment) }},
		"FFFFFFFF":         {"BO_ 4294967295 A: 8 X\n", []string{`f:1:5: warning: found 4294967295, expected an identifier of at most 29 bits; read as the 29-bit identifier 1FFFFFFF`}, hasID("1FFFFFFF")},
		"above 32 bits":    {"BO_ 4294967296 A: 8 X\n", []string{`f:1:5: error: found "4294967296", expected the message's identifier, a number from 0 to 4294967295; message skipped with its signals`}, hasMessages()},
		"container": {text: "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\nCM_ SG_ 3221225472 a \"c\";\n" + wheels, check: func(t *testing.T, db *Database) {
			hasMessages("Wheels")(t, db)
			require.Len(t, db.Skipped, 3)
		}},
		"container of another number": {text: "BO_ 1073741824 Unused: 0 X\n" + wheels, check: hasMessages("Wheels")},
		"digit first":                 {"BO_ 1 3A: 8 X\n", []string{`f:1:7: warning: found the name "3A", expected letters, digits and _, no digit first; message kept`}, hasMessages("3A")},
		"dash and dot":                {one(`a-b.c : 0|8@1+ (1,0) [0|0] ""`), []string{`f:2:6: warning: found the name "a-b.c", expected letters, digits and _, no digit first; signal kept`}, func(t *testing.T, db *Database) { find(t, db, "a-b.c"); find(t, db, "A.a-b.c") }},
		"long name":                   {"BO_ 1 " + long + ": 8 X\n", []string{`f:1:7: warning: found a name of 129 characters, expected at most 128; message kept`}, hasMessages(long)},
		"name of two words":           {one(`a b : 0|8@1+ (1,0) [0|0] ""`), []string{`f:2:8: error: found "b", expected a colon, or M, or m and a number; signal skipped`}, nil},
		"plus sign":                   {text: one(`a : 0|8@1+ (+2,+127) [+0|+127] ""`), check: gives(129, 1)},
		"no digit before the point":   {text: one(`a : 0|8@1+ (.5,-.25) [0|0] ""`), check: gives(0.25, 1)},
		"exponent":                    {text: one(`a : 0|8@1+ (1E-005,1e2) [0|0] ""`), check: gives(100.00001, 1)},
		"beyond float64":              {text: one(`a : 0|8@1+ (1,0) [-1E+400|1E+400] ""`), check: func(t *testing.T, db *Database) { require.Equal(t, math.MaxFloat64, find(t, db, "a").Max) }},
		"blanks everywhere":           {text: "  BO_  1  A  :  8  X \n\tSG_ a : 0 | 8 @ 1 + ( 2 , 1 ) [ 0 | 9 ]  \"u\"  X , Y\n", check: gives(3, 1)},
		"blanks nowhere":              {text: "BO_ 1 A:8 X\nSG_ a:0|8@1+(2,1)[0|9]\"u\"X\n", check: gives(3, 1)},
		"decimal comma":               {one(`a : 0|8@1+ (0,5,0) [0|0] ""`), []string{`f:2:21: error: found ",0)", expected ); signal skipped`}, nil},
		"no number":                   {one(`a : 0|8@1+ (nan,0) [0|0] ""`), []string{`f:2:18: error: found "nan,0)", expected the scale, a decimal number; signal skipped`}, nil},
		"length of no frame":          {"BO_ 1 A: 9 X\n", []string{`f:1:10: warning: found a length of 9, expected a length that a frame can have: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes; message kept`}, isFD},
		"identifier twice":            {"BO_ 1 A: 8 X\nBO_ 1 B: 4 X\n", []string{`f:2:7: warning: found message B with the identifier 001 of message A, expected an identifier of its own; message kept; look-ups by identifier find the first`}, hasMessages("A", "B")},
		"name twice":                  {"BO_ 1 A: 8 X\nBO_ 2 A: 4 X\n", []string{`f:2:7: warning: found a second message "A", expected one of the name (the first is on line 1); message kept`}, hasMessages("A", "A")},
	})
}

// Signals of every form.
func TestDatabaseSignals(t *testing.T) {
	checkConstructs(t, map[string]oneConstruct{
		"little-endian":        {text: one(`a : 4|12@1+ (1,0) [0|0] ""`), check: gives(0x341, 0x12, 0x34)},
		"big-endian":           {text: one(`a : 3|12@0+ (1,0) [0|0] ""`), check: gives(0x234, 0x12, 0x34)},
		"signed":               {text: one(`a : 0|4@1- (1,0) [0|0] ""`), check: gives(-1, 0x0F)},
		"one bit with scale":   {text: one(`a : 0|1@1+ (100,-50) [0|0] ""`), check: gives(50, 1)},
		"negative scale":       {text: one(`a : 0|8@1+ (-0.5,10) [0|0] ""`), check: gives(9, 2)},
		"64 bits":              {text: one(`a : 0|64@1+ (1,0) [0|0] ""`), check: gives(1<<56, 0, 0, 0, 0, 0, 0, 0, 1)},
		"float":                {text: one(`a : 0|32@1- (2,1) [0|0] ""`) + "SIG_VALTYPE_ 1 a : 1;", check: gives(4, 0, 0, 0xC0, 0x3F)},
		"64 bytes":             {text: "BO_ 1 A: 64 X\n SG_ a : 504|8@1+ (1,0) [0|0] \"\" X\n", check: all(isFD, gives(7, append(make([]byte, 63), 7)...))},
		"no bits":              {one(`a : 0|0@1+ (1,0) [0|0] ""`), []string{`f:2:12: error: found "0@1+", expected a width of 1 to 64 bits; signal skipped`}, nil},
		"65 bits":              {one(`a : 0|65@1+ (1,0) [0|0] ""`), []string{`f:2:12: error: found "65@1+", expected a width of 1 to 64 bits; signal skipped`}, nil},
		"byte order":           {one(`a : 0|8@2+ (1,0) [0|0] ""`), []string{`f:2:14: error: found "2+", expected byte order 0 (most significant first) or 1; signal skipped`}, nil},
		"no sign":              {one(`a : 0|8@1 (1,0) [0|0] ""`), []string{`f:2:16: error: found "(1,0)", expected + (unsigned) or - (signed); signal skipped`}, nil},
		"scale 0":              {one(`a : 0|8@1+ (0,3) [0|0] ""`), []string{`f:2:18: warning: found scale 0, expected another number; scale 1 taken, signal kept`}, gives(4, 1)},
		"limits turned around": {one(`a : 0|8@1+ (1,0) [9|0] ""`), []string{`f:2:23: warning: found limits from 9 to 0, expected the lower one first; signal kept without limits`}, gives(4, 4)},
		"bad limits":           {one(`a : 0|8@1+ (1,0) [x|0] "u"`), []string{`f:2:24: warning: found "x|0]", expected limits of two decimal numbers, such as [0|100]; signal kept without limits`}, hasUnit("u")},
		"no limits":            {one(`a : 0|8@1+ (1,0) "u"`), []string{`f:2:23: warning: found "\"u\"", expected the limits, such as [0|100]; signal kept without limits`}, hasUnit("u")},
		"no unit":              {one(`a : 0|8@1+ (1,0) [0|0]`), []string{`f:2:29: warning: found "X", expected the unit in quotes; signal kept without unit`}, gives(4, 4)},
		"name twice":           {one(`a : 0|8@1+ (1,0) [0|0] ""`) + " SG_ a : 8|8@1+ (1,0) [0|0] \"\"\n", []string{`f:3:2: warning: found a second signal "a" of message A on the same branch, expected one of the name (the first is on line 2); signal kept`}, gives(4, 4, 5)},
		"beyond the message": {"BO_ 1 A: 2 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ b : 10|8@1+ (1,0) [0|0] \"\" X\n SG_ c : 600|8@1+ (1,0) [0|0] \"\" X\n", []string{
			`f:3:2: warning: found signal b with 8 bits from start bit 10, expected one inside the 2 bytes of message A; signal kept, never present`,
			`f:4:2: warning: found signal c with 8 bits from start bit 600, expected one inside the 2 bytes of message A; signal kept, never present`},
			carries("a", 1, 2, 3, 4)},
		"short data": {text: one(`a : 0|8@1+ (1,0) [0|0] ""`) + " SG_ b : 8|9@1+ (1,0) [0|0] \"\"\n", check: all(carries("a", 1, 2), carries("a b", 1, 2, 3), carries(""))},
		"not clamped": {text: one(`a : 0|8@1+ (1,0) [0|9] ""`), check: all(gives(200, 200), func(t *testing.T, db *Database) {
			require.Equal(t, []Decoded{{0, 200, 200, true}}, NewDecoder(&db.Messages[0]).Append(nil, []byte{200}))
			require.Equal(t, []Decoded{{0, 9, 9, false}}, NewDecoder(&db.Messages[0]).Append(nil, []byte{9}))
		})},
		"limit at a rounded value": {text: one(`a : 0|16@1+ (0.1,0) [0|6553.5] ""`), check: func(t *testing.T, db *Database) { require.False(t, find(t, db, "a").Outside(65535*0.1)) }},
	})
}

// simple has a selector in byte 0, and a signal beside the branches.
const simple = "BO_ 1 A: 8 X\n SG_ S M : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ a m0 : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ b m3 : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ p : 16|8@1+ (1,0) [0|0] \"\" X\n"

// Multiplexing of every form.
func TestDatabaseBranches(t *testing.T) {
	nested := simple + " SG_ N m3M : 24|4@1+ (1,0) [0|0] \"\" X\n SG_ c m1 : 32|8@1+ (1,0) [0|0] \"\" X\nSG_MUL_VAL_ 1 N S 3-3;\nSG_MUL_VAL_ 1 c N 1-1;\n"
	two := "BO_ 1 A: 8 X\n SG_ S M : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ T M : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ a m1 : 16|8@1+ (1,0) [0|0] \"\" X\n SG_ b m1 : 24|8@1+ (1,0) [0|0] \"\" X\n"
	checkConstructs(t, map[string]oneConstruct{
		"simple":                   {text: simple, check: all(carries("S a p", 0, 1, 2), carries("S b p", 3, 1, 2), carries("S p", 9, 1, 2), carries("S a", 0, 1))},
		"nested":                   {text: nested, check: all(carries("S b p N c", 3, 0, 0, 1, 0), carries("S b p N", 3, 0, 0, 2, 0), carries("S a p", 0, 0, 0, 1, 0))},
		"ranged":                   {text: simple + "SG_MUL_VAL_ 1 b S 3-3, 7-9,20;\n", check: all(carries("S b p", 8, 1, 2), carries("S p", 10, 1, 2), carries("S b p", 20, 1, 2))},
		"ranges in several lines":  {text: simple + "SG_MUL_VAL_ 1 b S 3-3,\n 7-9;\n", check: carries("S b p", 8, 1, 2)},
		"overlapping ranges":       {text: simple + "SG_MUL_VAL_ 1 a S 0-5;\nSG_MUL_VAL_ 1 b S 3-9;\n", check: all(carries("S a b p", 4, 1, 2), carries("S a p", 2, 1, 2), carries("S b p", 9, 1, 2))},
		"independent":              {text: two + "SG_MUL_VAL_ 1 a S 1-1;\nSG_MUL_VAL_ 1 b T 1-1;\n", check: all(carries("S T a b", 1, 1, 0, 0), carries("S T a", 1, 0, 0, 0), carries("S T b", 0, 1, 0, 0))},
		"one of several selectors": {two + "SG_MUL_VAL_ 1 b T 1-1;\n", []string{`f:4:2: warning: found signal a on branch 1 of one of 2 selectors, expected an entry SG_MUL_VAL_ that names the selector; S taken`}, carries("S T a", 1, 0, 0, 0)},
		"name in two branches":     {text: simple + " SG_ q m1 : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ q m2 : 24|8@1+ (1,0) [0|0] \"\" X\n", check: all(carries("S p q", 1, 2, 3), carries("S p q", 2, 0, 0, 5))},
		"entry for a name in two branches": {text: simple + " SG_ q m1 : 8|8@1+ (1,0) [0|0] \"\" X\n SG_ q m2 : 24|8@1+ (1,0) [0|0] \"\" X\nSG_MUL_VAL_ 1 q S 1-1;\nSG_MUL_VAL_ 1 q S 2-2, 5-6;\n",
			check: all(carries("S p q", 1, 2, 3), carries("S p q", 6, 0, 0, 5))},
		"no selector":                 {one(`a m1 : 0|8@1+ (1,0) [0|0] ""`), []string{`f:2:2: warning: found signal a on branch 1, expected a selector (M) in message A; signal kept, never present`}, carries("", 1)},
		"selector without M":          {one(`a m1 : 0|8@1+ (1,0) [0|0] ""`) + " SG_ s : 8|8@1+ (1,0) [0|0] \"\"\nSG_MUL_VAL_ 1 a s 1-1;", []string{`f:4:13: warning: found the selector "s" without M, expected M or m and a number and M on its own line; taken as a selector`}, all(carries("a s", 0, 1), carries("s", 0, 0))},
		"unknown selector":            {simple + "SG_MUL_VAL_ 1 b Z 3-3;\n", []string{`f:6:13: error: found the selector "Z", expected a signal of message A; entry skipped`}, carries("S b p", 3, 1, 2)},
		"circle":                      {simple + "SG_MUL_VAL_ 1 S S 3-3;\n", []string{`f:2:2: error: found signal S, whose selectors go in a circle, expected a selector that does not depend on itself; signal kept, never present`, `f:3:2: warning: found signal a on branch 0, expected a selector (M) in message A; signal kept, never present`, `f:4:2: warning: found signal b on branch 3, expected a selector (M) in message A; signal kept, never present`}, carries("p", 3, 1, 2)},
		"range turned around":         {simple + "SG_MUL_VAL_ 1 b S 9-3;\n", []string{`f:6:19: error: found "9-3;", expected the lower end of the range first; entry skipped`}, nil},
		"too large a branch":          {"BO_ 1 A: 8 X\n SG_ S M : 0|2@1+ (1,0) [0|0] \"\" X\n SG_ a m4 : 8|8@1+ (1,0) [0|0] \"\" X\n", []string{`f:3:2: warning: found signal a on branch 4, expected at most 3: selector S has 2 bits; signal kept, never present`}, carries("S", 0, 0)},
		"selector beyond the message": {"BO_ 1 A: 2 X\n SG_ S M : 16|8@1+ (1,0) [0|0] \"\" X\n SG_ a m0 : 8|8@1+ (1,0) [0|0] \"\" X\n", []string{`f:2:2: warning: found signal S with 8 bits from start bit 16, expected one inside the 2 bytes of message A; signal kept, never present`}, carries("", 0, 0, 0)},
	})
}

// Messages that go by parameter group.
func TestDatabaseParameterGroups(t *testing.T) {
	id := func(text string) bus.ID {
		id, err := bus.ParseID(text)
		require.NoError(t, err)
		return id
	}
	// SAE J1939-21, 5.2: format 240 and above, and below with a destination.
	for text, want := range map[string]uint32{"0CF00400": 0xF004, "18FEF121": 0xFEF1, "18EAFF00": 0xEA00, "18EA0021": 0xEA00, "1DF00400": 0x1F004, "1EF00400": 0x2F004} {
		group, ok := ParameterGroup(id(text))
		require.True(t, ok)
		require.Equal(t, want, group, text)
	}
	_, ok := ParameterGroup(0x123)
	require.False(t, ok)

	text := "BO_ 2364540158 Engine: 8 X\nBO_ 2566834686 Speed: 8 X\nBO_ 1 Lamp: 8 X\n"
	match := func(db *Database, from string) string {
		m, ok := db.Match(id(from))
		if !ok {
			return ""
		}
		return m.Name
	}
	plain, _ := ParseDatabase("f", []byte(text))
	require.Equal(t, []string{"Engine", "", "Lamp"}, []string{match(plain, "0CF004FE"), match(plain, "18F00421"), match(plain, "001")})
	m, ok := plain.MatchGroup(id("18F00421"))
	require.True(t, ok)
	require.Equal(t, "Engine", m.Name)
	plain.ByGroup = true
	require.Equal(t, "Engine", match(plain, "18F00421"))

	checkConstructs(t, map[string]oneConstruct{
		"protocol": {text: text + "BA_DEF_ \"ProtocolType\" STRING;\nBA_ \"ProtocolType\" \"J1939\";\n", check: func(t *testing.T, db *Database) {
			require.Equal(t, []string{"Engine", "", "Lamp"}, []string{match(db, "18F00421"), match(db, "00000001"), match(db, "001")})
		}},
		"protocol by default": {text: text + "BA_DEF_ \"ProtocolType\" STRING;\nBA_DEF_DEF_ \"ProtocolType\" \"J1939\";\n", check: func(t *testing.T, db *Database) { require.Equal(t, "Engine", match(db, "18F00421")) }},
		"of one message": {text: text + "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"ExtendedCAN\",\"reserved\",\"J1939PG\";\nBA_ \"VFrameFormat\" BO_ 2364540158 3;\n", check: func(t *testing.T, db *Database) {
			require.True(t, db.Messages[0].ByGroup)
			require.False(t, db.Messages[1].ByGroup)
		}},
		"two of a group": {text + "BO_ 2364540159 Engine2: 8 X\nBA_DEF_ \"ProtocolType\" STRING;\nBA_ \"ProtocolType\" \"J1939\";\n",
			[]string{`f:4:16: warning: found message Engine2 with the parameter group 0F004 of message Engine, expected a group of its own; message kept; other senders' frames are taken for the first`},
			func(t *testing.T, db *Database) {
				require.Equal(t, []string{"Engine2", "Engine", "Engine"}, []string{match(db, "18F004FF"), match(db, "18F004FE"), match(db, "18F00400")})
			}},
	})
}
