package scenarios

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
)

// written lists the changes of designs as text.
func written(designs []Design) map[string][]string {
	out := map[string][]string{}
	for _, d := range designs {
		out[d.Name] = []string{}
		for _, s := range d.Sets {
			out[d.Name] = append(out[d.Name], s.Path+"="+strings.TrimSpace(s.Text))
		}
	}
	return out
}

func TestDesignsOfTheCommandLine(t *testing.T) {
	designs, err := ParseDesigns([]string{
		"as it is", "nothing:", "each:bridge.policy=each",
		"two: bridge.forward=[120, {id: 1A4, divide: 2}] , bridge.policy={kind: fill, hold: 20ms}",
		`quoted:name="a, b",about='it''s, [x',seed=1`, `plain:about=it's five o'clock,seed=2`, "time:bus.capture=a:b.log",
	})
	require.NoError(t, err)
	require.Equal(t, map[string][]string{
		"as it is": {}, "nothing": {}, "each": {"bridge.policy=each"},
		"two":    {"bridge.forward=[120, {id: 1A4, divide: 2}]", "bridge.policy={kind: fill, hold: 20ms}"},
		"quoted": {`name="a, b"`, "about='it''s, [x'", "seed=1"},
		"plain":  {"about=it's five o'clock", "seed=2"},
		"time":   {"bus.capture=a:b.log"},
	}, written(designs))
}

func TestDesignsOfAFile(t *testing.T) {
	designs, err := ParseDesignFile("designs.txt", []byte("\ufeff# what we thought of\r\neach: bridge.policy=each # one each\r\n\r\nslow:\n  bridge.policy.hold=200ms,\n\tbridge.repeat=2, # twice\n  bridge.forward=[120, 1A0]\nas it is\n"))
	require.NoError(t, err)
	require.Equal(t, map[string][]string{
		"each": {"bridge.policy=each"}, "as it is": {},
		"slow": {"bridge.policy.hold=200ms", "bridge.repeat=2", "bridge.forward=[120, 1A0]"},
	}, written(designs))
	designs, err = ParseDesignFile("designs.txt", []byte(" \n"))
	require.NoError(t, err)
	require.Empty(t, designs)
}

func TestMistakesInDesigns(t *testing.T) {
	_, err := ParseDesigns([]string{
		"bridge.policy=each", ":seed=1", "", "a:seed", "b:seed=1,,seed=2", "c:bridge.forward=[120", "d:seed=1]", `e:name="x`,
		"f,seed=1", "a very long name that heads no column: seed=1", "g:=1",
	})
	var m Mistakes
	require.True(t, errors.As(err, &m))
	var short []string
	for _, one := range m {
		short = append(short, strings.SplitN(one.String(), "\n", 2)[0])
	}
	require.Equal(t, []string{
		`--design:1: found "bridge.policy=each" without a name, expected NAME:KEY=VALUE,..., such as slow:bridge.policy.hold=200ms`,
		`--design:1: found no name, expected NAME:KEY=VALUE,..., such as slow:bridge.policy.hold=200ms`,
		`--design:1: found no name, expected NAME:KEY=VALUE,..., such as slow:bridge.policy.hold=200ms`,
		`--design:3: found "seed", expected KEY=VALUE, such as bridge.policy.hold=200ms`,
		`--design:10: found nothing between two commas or at an end, expected KEY=VALUE, such as bridge.policy.hold=200ms`,
		`--design:18: found a bracket that is never closed, expected its end`,
		`--design:9: found "]", expected no bracket here that closes none`,
		`--design:8: found a quote that is never closed, expected its end`,
		`--design:1: found "f" without a colon, expected NAME:KEY=VALUE,...`,
		`--design:1: found the name "a very long name that heads no column", expected at most 24 letters, digits, blanks and signs other than quotes and brackets`,
		`--design:3: found "=1", expected KEY=VALUE, such as bridge.policy.hold=200ms`,
	}, short)
	_, err = ParseDesignFile("designs.txt", []byte("  seed=1\na: seed=1\n  seed\n"))
	require.ErrorContains(t, err, "designs.txt:1:1: found \"  seed=1\", expected NAME:")
	require.ErrorContains(t, err, "designs.txt:3:3: found \"seed\", expected KEY=VALUE")
	_, err = ReadDesigns("testdata/nothing")
	require.ErrorContains(t, err, "testdata/nothing: no such file")
}

// Every mistake of every design is told where it stands in the text of the user.
func TestMistakesOfDesignsInTheScenario(t *testing.T) {
	flags, err := ParseDesigns([]string{"a:bridge.polcy=each", "b: seed=1, bridge.policy = {kind: eech}", "b:bridge.policy=each", BatchedName + ":"})
	require.NoError(t, err)
	file, err := ParseDesignFile("designs.txt", []byte("c: seed=1,\n  receivers.pillar.queue = many\n"))
	require.NoError(t, err)
	_, _, err = OpenDesigns("orchard", nil, append(flags, file...))
	require.EqualError(t, err, `--design:1: found a second design "b", expected a name of its own
      | b:bridge.policy=each
      | ^
--design:1: found a second design "everything batched", expected a name of its own
      | everything batched:
      | ^
--design:10: bridge.polcy: found an unknown key, expected one of controller, pickup, queue, forward, policy, policies, repeat, layout, limit, send_queue, drop_older_than, pace, in_radio, resets, send_timeout
      | a:bridge.polcy=each
      |          ^
        did you mean policy?
--design:35: bridge.policy.kind: found "eech", expected each, fill, table, change or slack
      | b: seed=1, bridge.policy = {kind: eech}
      |                                   ^
        did you mean each?
designs.txt:2:28: receivers.pillar.queue: found "many", expected a whole number
    2 |   receivers.pillar.queue = many
      |                            ^
5 mistakes in the scenario`)

	// A mistake of the scenario is told once, with those of the designs.
	_, _, err = OpenDesigns("orchard", []string{"receivers.pillar.queue=0"}, flags[:1])
	require.Equal(t, 1, strings.Count(err.Error(), "receivers.pillar.queue:"))
	require.Contains(t, err.Error(), "did you mean policy?")
	_, _, err = OpenDesigns("orchrad", nil, flags[:1])
	require.ErrorContains(t, err, "did you mean orchard?")
	_, _, err = OpenDesigns("orchard", nil, make([]Design, MaxDesigns+1))
	require.ErrorContains(t, err, "found 33 designs, expected at most 32")
}

// A design is the scenario with its changes set by hand.
func TestDesignsAreChanges(t *testing.T) {
	designs, err := ParseDesigns([]string{"as it is", "table: bridge.policy = {kind: table, every: 100ms}, receivers.pillar.queue=3"})
	require.NoError(t, err)
	base, plans, err := OpenDesigns("orchard", []string{"seed=4"}, designs)
	require.NoError(t, err)
	want, err := Open("orchard", []string{"seed=4", "bridge.policy={kind: table, every: 100ms}", "receivers.pillar.queue=3"})
	require.NoError(t, err)
	require.True(t, reflect.DeepEqual(bare(base), bare(plans[0])))
	require.True(t, reflect.DeepEqual(bare(want), bare(plans[1])))
}

// The yardstick forgets all that a bridge does beyond collecting, and nothing else.
func TestEverythingBatched(t *testing.T) {
	rich, err := Open("two-tractors", []string{
		"bridge.policies={quick: {kind: each}}", "bridge.forward=[{id: 120, policy: quick, divide: 2, class: 1}, {id: 140, cap: 5/s}]",
		"bridge.repeat.copies=2", "bridge.policy={kind: table, every: 70ms}", "bridge.layout.kind=slot",
	})
	require.NoError(t, err)
	b := Batched(rich)
	require.Equal(t, bridge.Policy{Kind: bridge.Fill, Hold: 50 * time.Millisecond}, b.Bridge.Policy)
	require.Equal(t, b.Bridge.Policy, b.Neighbours[0].Bridge.Policy)
	require.Equal(t, rich.Bridge.Layout, b.Bridge.Layout)
	require.Equal(t, bridge.Table, rich.Bridge.Policy.Kind, "the plan itself stays")
	require.Equal(t, 2, rich.Bridge.Forward[0].Divide)
	plain, err := Open("two-tractors", []string{"bridge.forward=[120, 140]", "bridge.policy.hold=50ms", "bridge.layout.kind=slot"})
	require.NoError(t, err)
	require.Equal(t, plain.Bridge.Forward, b.Bridge.Forward)
	require.Equal(t, plain.Bridge.Policy, b.Bridge.Policy)
	require.NoError(t, tryParts(b))
}

// Whatever the text, there are designs or mistakes with places inside it, and what
// was read comes back from its own text.
func FuzzDesigns(f *testing.F) {
	for _, text := range []string{"a:seed=1,name=\"x, y\"", "a: b=[1, {c: 'd'}]\n  e=f # g\nh", "#", "a:\n ,", "a:b='c''d'", "a:b=\"\\\"\",c=}", "\xff", "\u00a0a:b=c"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		check := func(designs []Design, err error, again func(text string) ([]Design, error)) {
			var m Mistakes
			if err != nil {
				require.True(t, errors.As(err, &m) && len(m) > 0)
				for _, one := range m {
					if one.Excerpt != "" {
						require.LessOrEqual(t, one.Column, len([]rune(one.Excerpt))+1)
					}
					require.NotEmpty(t, one.String())
				}
				return
			}
			for _, d := range designs {
				var items []string
				for _, s := range d.Sets {
					items = append(items, s.Path+"="+strings.TrimSpace(s.Text))
				}
				same, err := again(d.Name + ":" + strings.Join(items, ","))
				require.NoError(t, err)
				require.Equal(t, written([]Design{d}), written(same))
			}
		}
		designs, err := ParseDesigns([]string{text})
		check(designs, err, func(text string) ([]Design, error) { return ParseDesigns([]string{text}) })
		designs, err = ParseDesignFile("designs.txt", []byte(text))
		check(designs, err, func(text string) ([]Design, error) { return ParseDesigns([]string{text}) })
	})
}
