package scenarios

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// same fails unless two plans run alike.
func same(t *testing.T, want, got *Plan) {
	t.Helper()
	a, b := bare(want), bare(got)
	a.Name, b.Name, a.Path, b.Path, a.Radio, b.Radio = "", "", "", "", nil, nil
	require.Equal(t, want.Radio, got.Radio)
	require.True(t, reflect.DeepEqual(a, b))
}

// A scenario that is composed means what the scenario and the changes mean, for
// every built-in scenario, and needs no other.
func TestComposedScenariosMeanTheSame(t *testing.T) {
	changes := []string{"bridge.policy={kind: table, every: 70ms}", "bridge.layout.kind=packed", "bridge.repeat.copies=2"}
	for _, info := range Builtins() {
		want, err := Open(info.Name, changes)
		require.NoError(t, err)
		path := filepath.Join(t.TempDir(), "sized.yaml")
		text, err := Compose(info.Name, changes, path, "About it.")
		require.NoError(t, err, info.Name)
		require.NotContains(t, string(text), "extends")
		got, err := Load(path, text, nil)
		require.NoError(t, err)
		same(t, want, got)
		require.NoError(t, want.Close())
		require.NoError(t, got.Close())
	}
}

// Another radio leaves out what belonged to the old one, and files are named from
// where the text stands.
func TestComposeLeavesOutWhatHasNoEffect(t *testing.T) {
	t.Chdir(t.TempDir())
	require.NoError(t, os.Mkdir("drives", 0o755))
	driveLog{until: 3 * time.Second}.write(t, "drives/drive.log")
	text := []byte(driven)
	require.NoError(t, os.WriteFile("drives/drive.yaml", text, 0o644))
	sets := []string{"radio.profile=gfsk-packet", "bridge.layout.kind=slot"}
	composed, err := Compose("drives/drive.yaml", sets, "sized.yaml", "")
	require.NoError(t, err)
	require.Contains(t, string(composed), "drives/drive.log")
	want, err := Open("drives/drive.yaml", sets)
	require.NoError(t, err)
	defer want.Close()
	got, err := Load("sized.yaml", composed, nil)
	require.NoError(t, err)
	defer got.Close()
	require.Equal(t, want.Bridge.Forward, got.Bridge.Forward)
	require.Equal(t, want.Radio, got.Radio)
	orchard, err := Compose("orchard", []string{"radio.profile=802.15.4"}, "x.yaml", "")
	require.NoError(t, err)
	require.NotContains(t, string(orchard), "1Mbit/s")
	_, err = Compose("orchard", []string{"bridge.policy.hold=5"}, "x.yaml", "")
	require.Error(t, err)
}

// Whatever loads can be composed, and means the same.
func FuzzCompose(f *testing.F) {
	for _, info := range Builtins() {
		text, err := Text(info.Name)
		require.NoError(f, err)
		f.Add(text)
	}
	rich, err := os.ReadFile("testdata/rich.yaml")
	require.NoError(f, err)
	f.Add(rich)
	f.Add([]byte("{bus: {messages: {a: {id: 120, period: 1s, signals: {'b': {start: 0, bits: 1}}}}}, bridge: {forward: [120]}, receivers: {r: {redraw: 1s, shows: {a.b: 9s}}}, about: \"- x: #\u00e9\"}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		want, err := Load("x.yaml", text, nil)
		if err != nil {
			return
		}
		defer want.Close()
		composed, err := compose("x.yaml", text, nil, "y.yaml", "head")
		require.NoError(t, err)
		got, err := Load("y.yaml", composed, nil)
		require.NoError(t, err)
		defer got.Close()
		same(t, want, got)
	})
}
