package study

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/radio"
	"stalegauge/scenarios"
)

// Where no replication passed the limit, the bound of the share rests on the longest
// of all that may hold a value back, whichever cause of loss it comes from.
func TestEpisodeIsTheLongestOfItsCauses(t *testing.T) {
	plan, err := scenarios.Open(scenarios.Default, nil)
	require.NoError(t, err)
	r := &plan.Receivers[0]
	s := &r.Shows[0]
	require.Equal(t, episode{0.1, "the redraw, 100ms"}, episodeOf(plan, r, s))

	plan.Common = &radio.Weather{Loss: 0.1, Burst: 700 * time.Millisecond}
	require.Equal(t, episode{0.7, "the mean bad time that all displays share, 700ms"}, episodeOf(plan, r, s))

	// Runs of 3 and 1 losses, 0.5 s from sample to sample: 1 s.
	r.Weather = radio.Weather{}
	r.Weather.Trace, err = radio.ReadTrace("t.csv", strings.NewReader("received\n1\n0\n0\n0\n1\n1\n0\n1\n"), 500*time.Millisecond)
	require.NoError(t, err)
	require.Equal(t, episode{1, "the mean run of losses of the trace, 1s"}, episodeOf(plan, r, s))

	plan.Common, r.Weather.Trace = nil, nil
	s.Period = 500_082_451 // of a capture
	require.Equal(t, episode{0.500082451, "the source's period, 500.08ms"}, episodeOf(plan, r, s))
}
