package study

import (
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
)

// What was sent to a receiver that was off, or is still under way, was neither
// delivered nor lost.
func TestDelivered(t *testing.T) {
	var log [fate.Records]uint64
	for w := range log {
		log[w] = 1 << w
	}
	arrived, expected := Delivered(&log)
	require.EqualValues(t, 1<<fate.RecordTaken+1<<fate.RecordSame+1<<fate.RecordOlder+1<<fate.RecordDuplicate, arrived)
	require.EqualValues(t, 1<<fate.Records-1-1<<fate.RecordNotPowered-1<<fate.RecordInFlightAtEnd, expected)
}
