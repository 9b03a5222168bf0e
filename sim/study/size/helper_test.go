package size

import (
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// counts returns the count of a costly check in the short or the long form.
func counts(short, long int) int {
	if os.Getenv("STALEGAUGE_LONG") != "" {
		return long
	}
	return short
}

// open opens a problem for a test.
func open(t *testing.T, scenario string, sets ...string) *Problem {
	t.Helper()
	p, err := Open(scenario, sets)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.Close()) })
	return p
}

// frames ends a search after so many frames of the bus.
func frames(most uint64) func(uint64) bool {
	return func(used uint64) bool { return used >= most }
}

func sqrt(n int) float64 { return math.Sqrt(float64(n)) }
