package scenarios

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// pump is a database beside the drive of driveLog: 1A0 with its pages, and
// messages that the drive does not have.
const pump = `VERSION "1"
BU_: pump valve
BO_ 416 Pump: 4 pump
 SG_ which M : 0|2@1+ (1,0) [0|3] "" X
 SG_ pressure m0 : 8|8@1+ (0.1,0) [0|20] "bar" X
 SG_ level m1 : 8|8@1+ (1,0) [0|200] "l" X
 SG_ level m2 : 16|8@1+ (2,0) [0|200] "l" X
BO_ 1793 Valve: 2 valve
 SG_ opening : 0|8@1+ (0.5,0) [0|100] "%" X
 SG_ state : 8|2@1+ (1,0) [0|3] "" X
BO_ 1794 Rare: 1 valve
 SG_ odd : 0|8@1+ (1,0) [0|0] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 416 100;
BA_ "GenMsgCycleTime" BO_ 1793 200;
VAL_ 1793 state 0 "shut" 1 "moving" 2 "open" ;
`

// databased is a scenario of which nothing but a database is known.
const databased = `
bus:
  database: pump.dbc
bridge: {forward: all}
receivers:
  dial: {shows: {pressure: 800ms, Valve.opening: 1s, state: 1s}}
`

// showing is databased with other signals on its display.
func showing(signals string) string {
	return strings.Replace(databased, "pressure: 800ms, Valve.opening: 1s, state: 1s", signals, 1)
}

func withDatabase(t *testing.T, text string) {
	t.Helper()
	inFolder(t)
	require.NoError(t, os.WriteFile("pump.dbc", []byte(pump), 0o644))
	require.NoError(t, os.WriteFile("mine.yaml", []byte(text), 0o644))
}

// Without capture and message set the database's cycle times are the message set.
func TestMessageSetFromDatabase(t *testing.T) {
	withDatabase(t, databased)
	p := open(t, "mine.yaml")
	require.Len(t, p.Bus.Messages, 2)
	m := p.Bus.Messages[0]
	require.Equal(t, bus.ID(0x1a0), m.ID)
	require.Equal(t, 100*ms, m.Period)
	require.Equal(t, "pump", m.Node)
	require.Equal(t, 4, m.Length)
	require.Equal(t, []int{0, 1, 2}, m.Pages)
	require.Equal(t, &signal.Selector{Bits: 2}, m.Selector)
	require.Len(t, m.Fields, 4)
	require.Equal(t, traffic.Constant, m.Fields[0].Value.Kind, "the selector goes by the pages")
	require.Equal(t, traffic.Value{Kind: traffic.RandomWalk, Low: 0, High: 20, Step: 0.2}, m.Fields[1].Value)
	shows := p.Receivers[0].Shows
	require.Equal(t, 300*ms, shows[0].Period, "one page of three")
	require.Equal(t, 200*ms, shows[1].Period)
	require.Equal(t, "moving", shows[2].Labels[1].Text)
	require.Empty(t, p.Warnings)
	require.Contains(t, p.Assumptions, Assumption{Key: "bus.messages", Value: "2 messages", Origin: "default",
		Reason: "cycle times of the signal database pump.dbc (1 without one not sent); values wander between their limits"})

	_, err := Open("mine.yaml", []string{"receivers.dial.shows.odd=1s"})
	require.ErrorContains(t, err, `the signal "odd", which cannot be simulated: its message Rare has no cycle time: give bus.messages.Rare.period`)
	require.Len(t, open(t, "mine.yaml", "receivers.dial.shows.odd=1s", "bus.messages.Rare.period=300ms").Bus.Messages, 3)
	_, err = Open("mine.yaml", []string{"bus.database.sends=none"})
	require.Error(t, err)
}

// A scenario's own messages take from the database what they leave out, and only
// those with an identifier of their own make a message set of their own.
func TestDatabaseFillsMessages(t *testing.T) {
	withDatabase(t, databased)
	p := open(t, "mine.yaml", "bus.messages.Valve.period=50ms", "bus.messages.Valve.signals.opening.value={law: sine, low: 0, high: 50, every: 9s}")
	require.Len(t, p.Bus.Messages, 2)
	m := p.Bus.Messages[0]
	require.Equal(t, "Valve", m.Name)
	require.Equal(t, 50*ms, m.Period)
	require.Equal(t, 2, m.Length)
	require.Equal(t, 0.5, m.Fields[0].Signal.Scale)
	require.Equal(t, traffic.Sine, m.Fields[0].Value.Kind)
	require.Equal(t, "state", m.Fields[1].Signal.Name)
	require.Equal(t, "open", p.Receivers[0].Shows[2].Labels[2].Text)

	require.NoError(t, os.WriteFile("own.yaml", []byte(showing("Any.opening: 1s")), 0o644))
	p = open(t, "own.yaml", "bus.messages={Any: {id: 701}, Own: {id: 300, period: 1s}}")
	require.Len(t, p.Bus.Messages, 2, "its own set")
	require.Equal(t, 200*ms, p.Bus.Messages[0].Period, "the identifier is in the database")
	require.Len(t, open(t, "mine.yaml", "bus.messages={Own: {id: 300, period: 1s}}", "bus.database.sends=cyclic").Bus.Messages, 3)

	for set, says := range map[string]string{
		"bus.messages.Vavle.period=1s":             "bus.messages.Vavle.id: found nothing, expected an identifier",
		"bus.messages.Valve.signals.opned.scale=2": "bus.messages.Valve.signals.opned.start: found nothing, expected a whole number",
	} {
		_, err := Open("mine.yaml", []string{set})
		require.ErrorContains(t, err, says)
		require.ErrorContains(t, err, "the signal database has no ")
	}
}

// A long frame of the flexible data rate format does not go into a small store.
func TestFrameTooLongForController(t *testing.T) {
	withDatabase(t, strings.Replace(databased, "bridge: {", "bridge: {controller: {bytes: 64}, ", 1))
	long := strings.Replace(pump, "BO_ 416 Pump: 4 pump", "BO_ 416 Pump: 64 pump", 1)
	require.NoError(t, os.WriteFile("pump.dbc", []byte(long), 0o644))
	require.Equal(t, []string{"the controller's 64 bytes never hold these frames: 1A0 (64 bytes); bridge.controller.frames counts frames instead"}, open(t, "mine.yaml").Warnings)
	require.Empty(t, open(t, "mine.yaml", "bridge.controller.frames=8").Warnings)
}

// Two signals of one name are told apart by message and page.
func TestNamesOfDatabaseSignals(t *testing.T) {
	withDatabase(t, databased)
	_, err := Open("mine.yaml", []string{"receivers.dial.shows.level=1s"})
	require.ErrorContains(t, err, "2 signals of the bus have this name")
	require.ErrorContains(t, err, "say which: Pump.level@1 or Pump.level@2")
	require.NoError(t, os.WriteFile("both.yaml", []byte(showing("Pump.level@1: 1s, Pump.level@2: 1s")), 0o644))
	p := open(t, "both.yaml")
	require.Equal(t, "Pump.level@1", p.Receivers[0].Shows[0].Signal.Name, "told apart in the report")
	require.Equal(t, []int{8, 16}, []int{p.Receivers[0].Shows[0].Signal.Start, p.Receivers[0].Shows[1].Signal.Start})
	_, err = Open("mine.yaml", []string{"receivers.dial.shows.opning=1s"})
	require.ErrorContains(t, err, "did you mean opening?")
}

// Beside a capture the database says where signals lie and the capture how often
// they come.
func TestDatabaseBesideCapture(t *testing.T) {
	withDatabase(t, strings.Replace(showing("pressure: 800ms, Pump.level@1: 2s, opening: 1s"), "bus:", "bus:\n  capture: drive.log", 1))
	p := open(t, "mine.yaml")
	require.Equal(t, 200*ms, p.Receivers[0].Shows[0].Period, "page 0 is every second one")
	require.Equal(t, 400*ms, p.Receivers[0].Shows[1].Period)
	require.Contains(t, p.Warnings, "dial can never show what is not in the capture: opening (701)")
	for _, m := range p.Bus.Messages {
		require.Zero(t, m.Period)
	}
	require.NotNil(t, p.Selectors[0x1a0])
	_, err := Open("mine.yaml", []string{"bus.database.sends=cyclic"})
	require.ErrorContains(t, err, "bus.database.sends: has no effect beside bus.capture")
	require.Len(t, open(t, "mine.yaml", "bus.messages.Drive={id: 120, signals: {speed: {start: 0, bits: 12}}}", "receivers.dial.shows.speed=1s").Receivers[0].Shows, 4)
}

// groups writes a drive in which two senders send one parameter group.
func groups(t *testing.T, ids ...string) {
	t.Helper()
	var b strings.Builder
	for at := time.Duration(0); at < 10*time.Second; at += 50 * ms {
		for i, id := range ids {
			fmt.Fprintf(&b, "(%d.%06d) can0 %s#1122334455667788\n", 1700000000+at/time.Second, at%time.Second/time.Microsecond+time.Duration(i)*1000, id)
		}
	}
	require.NoError(t, os.WriteFile("ferry.log", []byte(b.String()), 0o644))
}

// A parameter group is found whoever sends it, with its senders kept apart.
func TestParameterGroups(t *testing.T) {
	t.Chdir(t.TempDir())
	ferry := func(shows string) (*Plan, error) {
		text := "bus: {bitrate: 250kbit/s, capture: ferry.log, database: river-ferry}\nbridge: {forward: all}\nreceivers: {dial: {shows: {" + shows + ": 1s}}}\n"
		return Load("mine.yaml", []byte(text), nil)
	}
	for _, c := range []struct {
		ids   []string
		shows string
		id    uint32
		says  string
	}{
		{[]string{"0CFF1001", "0CFF1002"}, "shaft_speed", 0x0CFF1001, "Engine comes from 2 senders: its name means 0CFF1001, the others go by their identifiers, such as 0CFF1002.SIGNAL"},
		{[]string{"0CFF1001", "0CFF1002"}, "Engine.shaft_speed", 0x0CFF1001, "Engine comes from 2 senders"},
		{[]string{"0CFF1001", "0CFF1002"}, "0CFF1002.shaft_speed", 0x0CFF1002, "Engine comes from 2 senders"},
		{[]string{"08FF1077"}, "shaft_speed", 0x08FF1077, ""}, // another priority and sender
		{[]string{"08FF1077", "0CFF1078"}, "0CFF1078.shaft_speed", 0x0CFF1078, ""},
		{[]string{"0CFF2101"}, "shaft_speed", 0x0CFF1001, "dial can never show what is not in the capture: shaft_speed (0CFF1001)"},
	} {
		groups(t, c.ids...)
		p, err := ferry(c.shows)
		require.NoError(t, err, c.shows)
		require.Equal(t, c.id, p.Receivers[0].Shows[0].ID.Number(), c.shows)
		require.Contains(t, strings.Join(p.Warnings, "\n"), c.says)
	}
	groups(t, "08FF1077", "0CFF1078")
	_, err := ferry("shaft_speed")
	require.ErrorContains(t, err, "say which: 08FF1077.shaft_speed or 0CFF1078.shaft_speed")
}

// What a database says of a signal that this simulator cannot follow is said when
// somebody wants to see it, and no earlier.
func TestRefusedSignals(t *testing.T) {
	withDatabase(t, databased)
	nested := strings.Replace(pump, " SG_ level m1", " SG_ second m3M : 8|4@1+ (1,0) [0|15] \"\" X\n SG_ deep m2 : 16|8@1+ (1,0) [0|0] \"\" X\n SG_ wide m1 : 24|8@1+ (1,0) [0|0] \"\" X\n SG_ level m1", 1)
	nested = strings.Replace(nested, "BA_DEF_ ", "SG_MUL_VAL_ 416 second which 3-3;\nSG_MUL_VAL_ 416 deep second 2-2;\nSG_MUL_VAL_ 416 wide which 1-2;\nBA_DEF_ ", 1)
	require.NoError(t, os.WriteFile("pump.dbc", []byte(nested), 0o644))
	require.Len(t, open(t, "mine.yaml").Bus.Messages, 2)
	for name, says := range map[string]string{
		"deep": "it lies behind two selectors, which and second; only one can be simulated",
		"wide": "it lies on several values of the selector which; a signal on one value can be simulated",
	} {
		_, err := Open("mine.yaml", []string{"receivers.dial.shows." + name + "=1s"})
		require.ErrorContains(t, err, "cannot be simulated: "+says)
	}
	overlapping := strings.Replace(pump, " SG_ state :", " SG_ twice : 4|4@1+ (1,0) [0|0] \"\" X\n SG_ state :", 1)
	require.NoError(t, os.WriteFile("pump.dbc", []byte(overlapping), 0o644))
	_, err := Open("mine.yaml", []string{"receivers.dial.shows.twice=1s"})
	require.ErrorContains(t, err, `signal "twice": overlaps signal "opening" in bit 4 of byte 0`)
}

// What is no database is refused with what it is.
func TestNoDatabase(t *testing.T) {
	withDatabase(t, databased)
	for name, text := range map[string]string{
		"empty.dbc": "", "photo.dbc": "\xff\xd8\xff\xe0\x00\x10JFIF", "broken.dbc": "BO_ x y\nSG_ what\n", "quiet.dbc": "BO_ 1 Rare: 1 X\n SG_ a : 0|8@1+ (1,0) [0|0] \"\" X\n",
	} {
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	require.NoError(t, os.Mkdir("folder", 0o755))
	for file, says := range map[string]string{
		"missing.dbc": `"missing.dbc": no such file, expected a signal database in the .dbc form or a built-in one`,
		"river-fery":  "did you mean river-ferry?",
		"folder":      `"folder": is a directory, expected a file`,
		"empty.dbc":   `"empty.dbc": it is empty`,
		"photo.dbc":   `"photo.dbc": it is a photo (JPEG), expected a signal database`,
		"broken.dbc":  "broken.dbc:1:5: error: found",
		"drive.log":   `"drive.log": it is a capture; bus.capture takes one`,
		"quiet.dbc":   "1 message without a cycle time in the signal database, and no other message on the bus",
	} {
		_, err := Open("mine.yaml", []string{"bus.database=" + file, "receivers.dial.shows={a: 1s}"})
		require.ErrorContains(t, err, says, file)
	}
	_, err := Open("mine.yaml", []string{"bus.capture=pump.dbc"})
	require.ErrorContains(t, err, `"pump.dbc": it is a signal database; bus.database takes one`)
	require.NoError(t, os.WriteFile("pump.dbc", []byte(pump+"BO_ x\nBA_ what\n"), 0o644))
	require.Contains(t, open(t, "mine.yaml").Warnings[0], "pump.dbc: 2 mistakes in the signal database\n  pump.dbc:18:5: error: found")
}

// The database of the orchard says what its scenario says.
func TestOrchardDatabase(t *testing.T) {
	text, err := Text("orchard.dbc")
	require.NoError(t, err)
	db, mistakes := signal.ParseDatabase("orchard.dbc", text)
	require.Empty(t, mistakes)
	p := open(t, "orchard")
	checked := 0
	for _, m := range p.Bus.Messages {
		if len(m.Fields) == 0 {
			continue
		}
		entry, ok := db.Match(m.ID)
		require.True(t, ok, m.Name)
		require.Equal(t, m.Name, entry.Name)
		require.Equal(t, m.Length, entry.Length)
		require.Equal(t, m.Period, entry.CycleTime)
		require.Equal(t, m.Node, entry.Sender)
		selector, definitions, err := entry.Paged()
		require.NoError(t, err)
		require.Equal(t, m.Selector, selector)
		for _, f := range m.Fields {
			require.Contains(t, definitions, f.Signal)
			checked++
		}
	}
	require.Equal(t, 27, checked)
	require.Len(t, db.Messages, 13)

	ferry, err := Text("river-ferry.dbc")
	require.NoError(t, err)
	db, mistakes = signal.ParseDatabase("river-ferry.dbc", ferry)
	require.Empty(t, mistakes)
	for i := range db.Messages {
		require.True(t, db.Messages[i].ID.IsExtended())
		require.True(t, db.Messages[i].ByGroup)
	}
}

// Labels and database are shown with the scenario.
func TestShowDatabase(t *testing.T) {
	var b strings.Builder
	require.NoError(t, Show(&b, "river-ferry", false))
	require.Contains(t, b.String(), "# The signal database river-ferry: 25 messages")
	require.Contains(t, b.String(), "# barrier: 0 open, 1 closing, 2 closed, 3 not known")
}
