package metrics

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// searching is a search that is half done, and has found the design of a tally.
func searching(best *Tally) *Searching {
	s := NewSearching("a search")
	s.Work(5_000_000, .5)
	s.Pass(48, 96)
	s.Best(best)
	return s
}

// A search tells how far it is from the start, and of the best design as soon as
// there is one, under that design's name.
func TestASearchTellsOfItsBestDesign(t *testing.T) {
	_, tally := tallied(t)
	require.Len(t, NewSearching("a search").Source(), 1, "nothing is found yet")
	all := searching(tally).Source()
	require.Len(t, all, 2)
	require.Equal(t, "a search", all[0].Design)
	require.Equal(t, Search{Frames: 5_000_000, Budget: .5, Tried: 48, Space: 96}, *all[0].Search)
	require.Equal(t, "live", all[1].Design)
	require.Equal(t, tally.Source()[0].Receivers, all[1].Receivers)
	require.Nil(t, all[1].Progress, "its replications are not those of a study with an end")
}
