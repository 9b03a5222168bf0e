package scenarios

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
	"stalegauge/bus/survey"
	"stalegauge/bus/traffic"
)

// record writes what a bus carries as a text log and returns its path.
func record(t *testing.T, b *Bus, seed uint64, span time.Duration) string {
	t.Helper()
	source, err := b.Source(Streams{Seed: seed}, nil, nil)
	require.NoError(t, err)
	var log bytes.Buffer
	const epoch = 1_700_000_000
	for f := (bus.Frame{}); source.Next(&f) && f.At < span; {
		at := f.At.Round(time.Microsecond)
		fmt.Fprintf(&log, "(%d.%06d) can0 %s#", epoch+at/time.Second, at%time.Second/time.Microsecond, f.ID)
		switch {
		case f.Kind == bus.Remote:
			fmt.Fprintf(&log, "R%d\n", f.Length)
		case f.Kind == bus.Data:
			fmt.Fprintf(&log, "%X\n", f.Payload())
		}
	}
	path := filepath.Join(t.TempDir(), "drive.log")
	require.NoError(t, os.WriteFile(path, log.Bytes(), 0o600))
	return path
}

// heard surveys a capture.
func heard(t *testing.T, path string, o survey.Options) *survey.Inventory {
	t.Helper()
	r, err := capture.Open(path, capture.Options{})
	require.NoError(t, err)
	defer r.Close()
	u := survey.Take(r, 0, o)
	require.NoError(t, r.Err())
	return u.Inventory()
}

// drafted works out the plan of a draft.
func draftPlan(t *testing.T, d Draft, folder string) (*Plan, string) {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, WriteDraft(&b, d))
	plan, err := Load(filepath.Join(folder, "draft.yaml"), b.Bytes(), nil)
	require.NoError(t, err, b.String())
	t.Cleanup(func() { require.NoError(t, plan.Close()) })
	return plan, b.String()
}

// A capture of every built-in message set is told apart, its bit rate is found,
// and the set fitted to it has its load within 1 %, every mean period within
// 0.1 %, and the 5 % and 95 % points of the period within 10 % or 0.2 ms. The
// draft carries the set without loss.
func TestFittedSetsResembleTheirCapture(t *testing.T) {
	span := 20 * time.Second
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		span = 10 * time.Minute
	}
	var buses [][]traffic.Message
	for _, info := range Builtins() {
		plan, err := Open(info.Name, nil)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, plan.Close()) })
		known := slices.ContainsFunc(buses, func(m []traffic.Message) bool { return reflect.DeepEqual(m, plan.Bus.Messages) })
		if known || plan.Bus.Capture != nil || len(plan.Bus.Timeline) > 0 {
			continue
		}
		buses = append(buses, plan.Bus.Messages)
		for name, layouts := range map[string]survey.Layouts{"bits": {}, "signals": survey.OfMessages(plan.Bus.Messages)} {
			t.Run(info.Name+"/"+name, func(t *testing.T) {
				path := record(t, &plan.Bus, 5, span)
				inv := heard(t, path, survey.Options{Layouts: layouts})
				require.Equal(t, plan.Bus.BitRate, inv.BitRate.Value, inv.BitRate.Reason)
				require.Len(t, inv.IDs, len(plan.Bus.Messages))
				made, text := draftPlan(t, Draft{Source: "drive.log", Inventory: inv, Fit: true}, filepath.Dir(path))
				fitted, _ := survey.Fit(inv)
				sameReleases(t, fitted, made.Bus.Messages)
				require.Contains(t, text, "ASSUMED")
				again := heard(t, record(t, &made.Bus, 6, span), survey.Options{})
				require.InEpsilon(t, inv.Load, again.Load, 0.01)
				for _, was := range inv.IDs {
					i := slices.IndexFunc(again.IDs, func(d survey.ID) bool { return d.ID == was.ID })
					require.GreaterOrEqual(t, i, 0)
					alike(t, &was, &again.IDs[i])
				}
			})
		}
	}
}

func sameReleases(t *testing.T, fitted, loaded []traffic.Message) {
	t.Helper()
	require.Len(t, loaded, len(fitted))
	for i := range fitted {
		f, l := &fitted[i], &loaded[i]
		require.Equal(t, f.ID, l.ID)
		require.Equal(t, [2]time.Duration{f.Period, f.Jitter}, [2]time.Duration{l.Period, l.Jitter})
		require.Equal(t, f.Drift, l.Drift)
		require.Equal(t, f.Pages, l.Pages)
		require.Len(t, l.Fields, len(f.Fields))
		for k := range f.Fields {
			f.Fields[k].Signal.Name = l.Fields[k].Signal.Name
		}
		require.Equal(t, f.Fields, l.Fields)
	}
}

// alike compares the periods. A mean over n intervals is uncertain by the jitter
// at both ends over n, which matters for what came only a few times.
func alike(t *testing.T, was, is *survey.ID) {
	t.Helper()
	ends := float64(was.High-was.Low+is.High-is.Low) * 2 / float64(was.Frames)
	require.InDelta(t, was.MeanExact, is.MeanExact, max(1e-3*was.MeanExact, ends), was.ID)
	for _, p := range [][2]time.Duration{{was.Low, is.Low}, {was.High, is.High}} {
		require.InDelta(t, float64(p[0]), float64(p[1]), max(0.1*float64(p[0]), 200e3), "%v: %v, %v", was.ID, p[0], p[1])
	}
}

// The capture as traffic: the draft names what moves and forwards what carries it.
func TestDraftFromACapture(t *testing.T) {
	source, err := Open("orchard", nil)
	require.NoError(t, err)
	path := record(t, &source.Bus, 5, 30*time.Second)
	inv := heard(t, path, survey.Options{Layouts: survey.OfMessages(source.Bus.Messages)})
	plan, text := draftPlan(t, Draft{Source: "drive.log", Capture: "drive.log", Inventory: inv}, filepath.Dir(path))
	require.NotNil(t, plan.Bus.Capture)
	require.Len(t, plan.Receivers, 1)
	limits := map[string]time.Duration{}
	forwarded := map[bus.ID]bool{}
	for _, f := range plan.Bridge.Forward {
		forwarded[f.ID] = true
	}
	for _, s := range plan.Receivers[0].Shows {
		require.True(t, forwarded[s.ID])
		limits[s.Signal.Name] = s.Limit.Value
	}
	require.Equal(t, 300*time.Millisecond, limits["ground_speed"], "constantly: twice 20 ms and 250 ms")
	require.Equal(t, 350*time.Millisecond, limits["beacon"], "in pulses of 500 ms every 100 ms")
	require.Equal(t, 1450*time.Millisecond, limits["section_valves"], "rarely")
	require.NotContains(t, limits, "unit_flags")
	require.NotContains(t, limits, "drive_check")
	require.Contains(t, text, "# unit_flags: ")
	require.NotContains(t, text, "period:", "a capture has no message set")
}

// Names that no scenario can have, signals that overlap, FD frames, remote frames,
// identifiers met once: the draft loads whatever was heard.
func TestDraftFromOddThings(t *testing.T) {
	odd := []traffic.Message{
		{Name: "on", ID: 0x10, Length: 8, Period: 20 * time.Millisecond},
		{Name: "2nd gear, \"high\"", ID: 0x11, Length: 48, Flags: bus.FD | bus.BitRateFast, Period: 50 * time.Millisecond},
		{Name: strings.Repeat("long", 40), ID: bus.Extended | 0x18FEF100, Length: 0, Period: 100 * time.Millisecond},
		{Name: "ask", ID: 0x20, Length: 8, Remote: true, Period: 200 * time.Millisecond},
		{Name: "door", ID: 0x30, Length: 1, Events: &traffic.Events{Every: 500 * time.Millisecond, MinGap: 10 * time.Millisecond}},
	}
	b := Bus{BitRate: 250_000, DataBitRate: 2_000_000, Messages: odd}
	source, err := b.Source(Streams{Seed: 1}, nil, nil)
	require.NoError(t, err)
	inv := survey.Take(source, 20*time.Second, survey.Options{BitRate: 250_000, DataBitRate: 2_000_000, Layouts: survey.OfMessages(odd)}).Inventory()
	plan, text := draftPlan(t, Draft{Source: "a\nfile", Inventory: inv, Fit: true}, ".")
	require.Len(t, plan.Bus.Messages, len(odd))
	require.Equal(t, 2_000_000, plan.Bus.DataBitRate)
	require.NotContains(t, text, "a\nfile")
	require.Len(t, plan.Receivers[0].Shows, 1, "nothing moves: any byte will do")

	empty := survey.Take(bus.NewFrames(), 0, survey.Options{BitRate: 250_000}).Inventory()
	for _, fit := range []bool{false, true} {
		err := WriteDraft(new(bytes.Buffer), Draft{Source: "nothing.log", Capture: "nothing.log", Inventory: empty, Fit: fit})
		require.ErrorContains(t, err, "nothing.log: no data frames")
	}
}

// FD frames of which nothing moves but a counter: the receive buffer takes them,
// and the draft does not say that bits move which stand still.
func TestDraftOfFlexibleFrames(t *testing.T) {
	var log strings.Builder
	for i := range 200 {
		fmt.Fprintf(&log, "(%d.%06d) can0 123##1%02X%s\n", 1_700_000_000+i/100, i%100*10_000, i, strings.Repeat("AA", 63))
	}
	path := filepath.Join(t.TempDir(), "drive.log")
	require.NoError(t, os.WriteFile(path, []byte(log.String()), 0o600))
	inv := heard(t, path, survey.Options{BitRate: 500_000, DataBitRate: 2_000_000})
	for _, fit := range []bool{false, true} {
		plan, text := draftPlan(t, Draft{Source: "drive.log", Capture: "drive.log", Inventory: inv, Fit: fit}, filepath.Dir(path))
		require.NotContains(t, strings.Join(plan.Warnings, "\n"), "never hold these frames")
		require.Equal(t, 32, plan.Bridge.Controller.Frames)
		require.Contains(t, text, ": 1 identifier, ")
		require.Contains(t, text, "nothing moves but what looks like counters")
	}
}

// Of more identifiers than a scenario file has room for the costliest are kept.
func TestDraftsFitIntoAScenario(t *testing.T) {
	var frames []bus.Frame
	random := rand.New(rand.NewPCG(3, 4))
	for i := range 3 * 6000 {
		f := bus.Frame{At: time.Duration(i) * 300 * time.Microsecond, ID: bus.Extended | bus.ID(i%6000), Length: 8}
		for k := range 8 {
			f.Data[k] = byte(random.Uint32())
		}
		frames = append(frames, f)
	}
	inv := survey.Take(bus.NewFrames(frames...), 0, survey.Options{BitRate: 500_000}).Inventory()
	var b bytes.Buffer
	require.NoError(t, WriteDraft(&b, Draft{Source: "many.log", Inventory: inv, Fit: true}))
	require.Greater(t, b.Len(), MaxText/4)
	require.Contains(t, b.String()[:1000], "# Note: left out: 4976 identifiers of least load; a scenario has at most 4096 messages")
	_, err := Load("draft.yaml", b.Bytes(), nil)
	require.NoError(t, err)
	b.Reset()
	require.NoError(t, WriteDraft(&b, Draft{Source: "many.log", Capture: "many.log", Inventory: inv}))
	require.Less(t, b.Len(), MaxText)
	require.Contains(t, b.String()[b.Len()-200:], "more: see the report of inspect")
}

// Databases with pages, floating point numbers, signals on top of each other and
// FD frames: what is drafted from random data loads, and what cannot be had is
// named.
func TestDraftWithDatabases(t *testing.T) {
	for _, name := range []string{"tractor", "ferry", "camper"} {
		db, _, err := signal.ReadDatabase(filepath.Join("..", "bus", "signal", "testdata", name+".dbc"))
		require.NoError(t, err)
		random := rand.New(rand.NewPCG(1, 2))
		var log bytes.Buffer
		for i := range 4000 {
			m := &db.Messages[i%len(db.Messages)]
			data := make([]byte, m.Length)
			for k := range data {
				data[k] = byte(random.Uint32()) & 0x3F
			}
			mark := "#"
			if m.FD {
				mark = "##1"
			}
			fmt.Fprintf(&log, "(%d.%06d) can0 %s%s%X\n", 1_700_000_000+i/200, i%200*5000, m.ID, mark, data)
		}
		path := filepath.Join(t.TempDir(), "drive.log")
		require.NoError(t, os.WriteFile(path, log.Bytes(), 0o600))
		inv := heard(t, path, survey.Options{BitRate: 500_000, DataBitRate: 2_000_000, Layouts: survey.OfDatabase(db)})
		require.Empty(t, inv.Unseen)
		for _, fit := range []bool{false, true} {
			plan, text := draftPlan(t, Draft{Source: "drive.log", Capture: "drive.log", Inventory: inv, Fit: fit}, filepath.Dir(path))
			require.Greater(t, len(plan.Receivers[0].Shows), 3)
			for i := range inv.IDs {
				for _, s := range inv.IDs[i].Signals {
					require.True(t, s.Frames == 0 || s.IsSelector || strings.Contains(text, s.Name), s.Name)
				}
			}
		}
	}
}

// Whatever stands in a capture, the draft of its fitted set loads.
func FuzzDraft(f *testing.F) {
	f.Add([]byte("(1.0) a 123#11\n(1.1) a 123#12\n(1.2) a 123#11\n"))
	f.Add([]byte("(1.0) a 1FFFFFFF#R4\n(1.0) a 1FFFFFFF#R4\n(9.5) a 7FF##1112233445566778899001122\n(9.7) a 7FF##1112233445566778899001123\n"))
	f.Add([]byte("(7.0) a 7FF#00\n(7.1) a 7FF##0000000000000000000000000\n")) // classic and longer than classic
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := capture.NewReader("fuzz", bytes.NewReader(text), capture.Options{})
		if err != nil {
			return
		}
		inv := survey.Take(r, 0, survey.Options{}).Inventory()
		var b bytes.Buffer
		if WriteDraft(&b, Draft{Source: "fuzz", Inventory: inv, Fit: true}) != nil {
			return
		}
		_, err = Load("draft.yaml", b.Bytes(), nil)
		require.NoError(t, err, b.String())
	})
}
