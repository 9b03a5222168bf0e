package size

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The constants of the procedure at alpha 0.05, computed from the formulas of Kim
// and Nelson (2006), section 3.1.
func TestConstantsOfTheSelection(t *testing.T) {
	for _, c := range []struct {
		designs, first int
		eta, squared   float64
	}{
		{2, 10, 0.334050, 6.012905}, {5, 10, 0.634967, 11.429411}, {5, 20, 0.237238, 9.015056}, {10, 20, 0.302934, 11.511485},
	} {
		s := selection{first: c.first, alpha: .05, delta: 1}
		require.InDelta(t, c.eta, s.eta(c.designs), 1e-6)
		require.InDelta(t, c.squared, s.squared(c.designs), 1e-5)
	}
}

// The best of five normal means that lies delta ahead of all others, the
// configuration that is worst for the procedure, is kept in at least 95 % of all
// runs; designs that share a part of their noise take fewer observations.
func TestSelectionKeepsTheBest(t *testing.T) {
	runs := counts(400, 10_000)
	taken := map[float64]int{}
	for _, common := range []float64{0, .9} {
		right := 0
		dice := rand.New(rand.NewPCG(7, 9))
		for range runs {
			s := selection{first: 10, most: 100_000, alpha: .05, delta: 1}
			best, lost, err := s.run(5, func(alive []int, _ int) ([]float64, error) {
				shared := dice.NormFloat64()
				var values []float64
				for _, d := range alive {
					taken[common]++
					v := 2 * (common*shared + (1-common)*dice.NormFloat64())
					if d != 3 {
						v += 1
					}
					values = append(values, v)
				}
				return values, nil
			})
			require.NoError(t, err)
			require.Len(t, lost, 4)
			if best == 3 {
				right++
			}
		}
		// Three standard errors of a share of 95 %.
		require.GreaterOrEqual(t, float64(right)/float64(runs), .95-3*.218/sqrt(runs), "%v", common)
	}
	require.Less(t, 2*taken[.9], taken[0])
}

// Designs that are equal to the last digit leave one, the first.
func TestSelectionOfEqualDesigns(t *testing.T) {
	s := selection{first: 10, most: 96, alpha: .05, delta: .02}
	best, lost, err := s.run(3, func(alive []int, stage int) ([]float64, error) {
		return make([]float64, len(alive)), nil
	})
	require.NoError(t, err)
	require.Equal(t, 0, best)
	require.Len(t, lost, 2)
}
