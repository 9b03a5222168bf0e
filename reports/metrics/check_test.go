package metrics

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"
)

const good = `# HELP stalegauge_frames Frames.
# TYPE stalegauge_frames counter
stalegauge_frames_total{fate="sent",design="a b",replication="0"} 0 1735689600.000
stalegauge_frames_total{fate="sent",design="a b",replication="0"} 12 1735689610.000
stalegauge_frames_total{fate="sent",design="a \"} b",replication="1"} 1e3 1735689600.5
# EOF
`

func TestCheckSaysWhatAHistoryHolds(t *testing.T) {
	c, err := Check(strings.NewReader(good), "good.om")
	require.NoError(t, err)
	require.Equal(t, Contents{
		Samples: 3, Series: 2, From: Epoch, To: Epoch.Add(10 * time.Second), Designs: []string{"a b", `a \"} b`},
	}, c)
}

// All mistakes at once, each with its place: those that an import refuses and those
// that it takes and loses in silence.
func TestCheckFindsEveryMistake(t *testing.T) {
	bad := `# TYPE x counter
x_total{a="1"} 1 1735689600000

x_total{a="1"} one 1735689600
x_total{a="1"} 1
x_total{a="1"} 1 1735689610.000
x_total{a="1"} 2 1735689610.0004
x_total{a="1"} 2 1735689609
x_total{a="2"} 2 -1
x_total{a="2"} 2 soon
# a comment
 1 2
`
	_, err := Check(strings.NewReader(bad), "bad.om")
	want := `bad.om:2:18: found 1735689600000, expected an instant before 2100 in seconds: are these milliseconds?
bad.om:3:1: found an empty line, expected a sample or a comment
bad.om:4:16: found "one", expected a number
bad.om:5:15: found "x_total{a=\"1\"} 1", expected a sample such as name{label="value"} 1 1735689600.000
bad.om:7:18: found 1735689610.0004, expected at least a millisecond after the series' sample before, at 1735689610.000: this one is lost in silence
bad.om:8:18: found 1735689609, expected at least a millisecond after the series' sample before, at 1735689610.000: this one is lost in silence
bad.om:9:18: found -1, expected an instant after 1970: one before is lost in silence
bad.om:10:18: found "soon", expected an instant in seconds since 1970
bad.om:11:1: found "# a comment", expected # HELP, # TYPE, # UNIT or # EOF
bad.om:12:1: found " 1 2", expected a sample such as name{label="value"} 1 1735689600.000
bad.om:12:1: found the end of the file, expected a last line "# EOF"`
	require.EqualError(t, err, want)

	for text, want := range map[string]string{
		"":                         `x:0:1: found the end of the file, expected a last line "# EOF"`,
		"# EOF\n":                  "x:1:1: found no sample, expected a history",
		good + "more\n":            `x:7:1: found "more", expected nothing after "# EOF"`,
		strings.Repeat("a", 70000): "x:1:1: found a line of more than 65536 bytes, expected a sample a line",
	} {
		_, err := Check(strings.NewReader(text), "x")
		require.ErrorContains(t, err, want)
	}
	_, err = Check(strings.NewReader(strings.Repeat("\n", 100)), "x")
	require.ErrorContains(t, err, "x: 81 more mistakes")
	_, err = Check(iotest.ErrReader(errors.New("disk gone")), "x")
	require.EqualError(t, err, "x: disk gone")
}

// Whatever a file holds, the check ends, and what it finds good has samples in a
// span that can be written down.
func FuzzCheck(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("x 1 1\nx{} 2 2\n# EOF"))
	f.Add([]byte("{}} 1 NaN\n# EOF\n\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Check(io.LimitReader(strings.NewReader(string(text)), 1<<16), "fuzz")
		if err != nil {
			return
		}
		require.Positive(t, c.Samples)
		require.LessOrEqual(t, c.Series, c.Samples)
		require.False(t, c.To.Before(c.From))
		require.Less(t, c.To.Year(), 2101)
		require.NotEmpty(t, c.Designs)
		require.NoError(t, Guide(io.Discard, []File{{Name: "x", Contents: c}}, "data", "127.0.0.1:1"))
	})
}

func TestShellWords(t *testing.T) {
	for word, want := range map[string]string{
		"run.om": "run.om", "my run.om": "'my run.om'", "it's": `'it'\''s'`, "-v": "./-v", "$(x)": "'$(x)'", "": "''",
	} {
		require.Equal(t, want, shell(word))
	}
}
