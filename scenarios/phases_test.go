package scenarios

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The window is fixed before the run: 60 s, or 20 times the slowest period, and
// as much again after the begin of the last part.
func TestWindow(t *testing.T) {
	night := "bus.timeline=[{name: night, at: 100s, bus: asleep}]"
	for _, c := range []struct {
		sets []string
		from time.Duration
		end  time.Duration
	}{
		{nil, time.Second, 61 * time.Second},
		{[]string{"bus.messages.Pump.period=5s"}, 20 * time.Second, 220 * time.Second}, // two pages: an update every 10 s
		{[]string{"duration=7s"}, time.Second, 8 * time.Second},
		{[]string{"receivers.dial.power_up=10s"}, 11 * time.Second, 71 * time.Second},
		{[]string{night}, time.Second, 160 * time.Second},
		{[]string{night, "bus.messages.Pump.period=5s"}, 20 * time.Second, 300 * time.Second},
		{[]string{night, "duration=7s"}, time.Second, 8 * time.Second},
		{[]string{night, "phases.end=110s"}, time.Second, 110 * time.Second},
		{[]string{night, "phases.parts={morning: 150s}"}, time.Second, 210 * time.Second},
		{[]string{"phases.parts={early: 0s, late: 500ms}"}, time.Second, 61 * time.Second},
	} {
		p := open(t, "testdata/base.yaml", c.sets...)
		from, end := p.Window()
		require.Equal(t, []time.Duration{c.from}, from, c.sets)
		require.Equal(t, c.end, end, c.sets)
	}
}

// The timeline and phases.parts cut the run together.
func TestParts(t *testing.T) {
	p := open(t, "testdata/base.yaml", "bus.timeline=[{name: day, at: 5s}, {name: night, at: 20s, bus: asleep}]", "phases.parts={noon: 10s, midnight: 30s}")
	require.Equal(t, []Phase{{"start", 0}, {"day", 5 * time.Second}, {"noon", 10 * time.Second}, {"night", 20 * time.Second}, {"midnight", 30 * time.Second}}, p.Phases)
	require.Equal(t, []Phase{{"all", 0}}, open(t, "testdata/base.yaml", "phases.parts.all=0s").Phases)
	require.Nil(t, open(t, "testdata/base.yaml").Phases)
	require.False(t, open(t, "two-tractors").FixedPhases)
	fixed := open(t, "two-tractors", "phases=fixed")
	require.True(t, fixed.FixedPhases)
	require.Len(t, fixed.Phases, 3, "the short form says how things start and leaves the parts alone")
}

// Of the end and the duration the upper text wins.
func TestEndOrDuration(t *testing.T) {
	end := func(sets ...string) time.Duration {
		_, end := open(t, "two-tractors", sets...).Window()
		return end
	}
	require.Equal(t, 140*time.Second, end())
	require.Equal(t, 22*time.Second, end("duration=20s"))
	require.Equal(t, 242*time.Second, end("phases.end=auto"), "the duration of the scenario below")
	require.Equal(t, 160*time.Second, end("duration=auto"))
	require.Equal(t, 30*time.Second, end("phases.end=30s"))
}

// A part that nobody will see is worth a word.
func TestPartsOutsideTheWindow(t *testing.T) {
	p := open(t, "testdata/base.yaml", "phases.parts={boot: 0s, work: 500ms, late: 40s}", "duration=10s")
	require.Equal(t, []string{
		"boot ends at 500ms, before ages count, from 1s on",
		"late begins at 40s, but the run ends at 11s: nothing is known of it",
	}, p.Warnings)
}
