package scenarios

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/txtar"
)

// otherFile matches a capture or a signal database that lies somewhere else, alone
// or in a list.
var otherFile = regexp.MustCompile(`(?:file|capture|database)['"]?\s*[:=][\s\['"-]*(?:[^\n\]]*,\s*)?['"]?(?:\.\.|/|-)`)

// FuzzLoad: whatever the text and the change, reading ends with a plan or with
// mistakes that say where they are, and reading twice gives the same.
func FuzzLoad(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, text, change string) {
		if strings.Contains(text, "extends") && !strings.Contains(text, "extends: orchard") {
			return // it could name any file of this machine
		}
		if otherFile.MatchString(text + change) {
			return // likewise
		}
		var sets []Set
		if set, err := ParseSet(change); err == nil && !strings.HasPrefix(set.Path, "extends") {
			sets = append(sets, set)
		}
		plan, err := Load("fuzz.yaml", []byte(text), sets)
		if err == nil {
			checkPlan(t, plan)
			again, err := Load("fuzz.yaml", []byte(text), sets)
			if err == nil {
				err = errors.Join(plan.Close(), again.Close())
			}
			if err != nil || again.SHA256 != plan.SHA256 {
				t.Fatalf("read twice: %v", err)
			}
			return
		}
		var mistakes Mistakes
		if !errors.As(err, &mistakes) || len(mistakes) == 0 {
			t.Fatalf("an error that is no list of mistakes: %v", err)
		}
		if !utf8.ValidString(err.Error()) && utf8.ValidString(text+change) {
			t.Fatalf("the message is no text: %q", err)
		}
		lines := splitLines(text)
		for _, m := range mistakes {
			if m.Found == "" {
				t.Fatalf("a mistake without words: %+v", m)
			}
			if m.File == "fuzz.yaml" && m.Line > len(lines) {
				t.Fatalf("line %d of %d: %s", m.Line, len(lines), m)
			}
		}
	})
}

// addSeeds adds texts of every kind.
func addSeeds(f *testing.F) {
	for _, name := range builtinNames() {
		text, err := Text(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text), "receivers.pillar.queue=8")
	}
	for _, name := range []string{"testdata/base.yaml", "testdata/rich.yaml"} {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text), "bridge.forward=[120, {id: 1A0, divide: 2}]")
	}
	f.Add(strings.Replace(driven, "drive.log", "testdata/drive.log", 1), "bus.capture.gap=10ms")
	f.Add("extends: orchard\n", "bus.capture=testdata/drive.log")
	f.Add(databased, "bus.database=river-ferry")
	f.Add(strings.Replace(databased, "pump.dbc", "orchard", 1), "bus.capture=[testdata/drive.log, testdata/drive.log]")
	f.Add("bus: {capture: testdata/drive.log, database: orchard}\nbridge: {forward: all}\nreceivers: {d: {shows: {Thermals.time_left@3: 1s}}}", "bus.capture.line_template=(?P<t>.*) (?P<id>.*)#(?P<data>.*)")
	files, _ := filepath.Glob("testdata/mistakes/*.txtar")
	for _, name := range files {
		archive, err := txtar.ParseFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(strings.Replace(string(archive.Files[0].Data), "base.yaml", "orchard", 1), string(archive.Files[1].Data))
	}
	for _, text := range []string{"", "\t", "\ufeffa: 1", "? [a]\n: b", "a: &a [*a]", "<<: {a: 1}", "--- a\n--- b", "%YAML 1.2\n---\nseed: 1", "bus: !!map {}", "{", "a: |\n  x", "\x00", "\xff", "phases:\n  parts: {A: 0}", "extends: orchard\nbus: {bitrate}", "extends: orchard\nbus: {bitrate: , capture: testdata/drive.log}"} {
		f.Add(text, "bus={messages: {A: {id: 1}}}")
	}
}

// checkPlan states what holds for every plan.
func checkPlan(t *testing.T, p *Plan) {
	from, end := p.Window()
	for _, at := range from {
		if at < 0 || end <= at {
			t.Fatalf("a window from %v to %v", from, end)
		}
	}
	if p.Radio == nil || len(p.Receivers) == 0 || len(p.Bus.Messages) == 0 || len(p.Bridge.Forward) == 0 || p.Replications < 1 {
		t.Fatalf("a plan without a part: %+v", p)
	}
	for _, r := range p.Receivers {
		if r.Queue < 1 || r.Buffers < 1 || r.Redraw < 0 || len(r.Shows) == 0 {
			t.Fatalf("a receiver that cannot work: %+v", r)
		}
	}
}
