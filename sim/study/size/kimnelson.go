package size

import (
	"math"
	"slices"
)

// selection is the procedure KN (Kim and Nelson 2001, as in "Selecting the best
// system", Handbooks in Operations Research and Management Science 13, 2006,
// section 3.1): of several designs the one with the smallest mean is kept with
// probability 1 - alpha when it is better than all others by delta, and one within
// delta of it otherwise. Observations of a stage may be dependent across designs,
// which is what makes common random numbers pay.
type selection struct {
	first        int // observations of each before anything is dropped, at least 2
	most         int // stages after which the smallest mean is taken
	alpha, delta float64
}

// eta is the constant of the procedure with c = 1.
func (s *selection) eta(designs int) float64 {
	return (math.Pow(2*s.alpha/float64(designs-1), -2/float64(s.first-1)) - 1) / 2
}

// squared is its h squared.
func (s *selection) squared(designs int) float64 { return 2 * s.eta(designs) * float64(s.first-1) }

// dropped is a design that lost, and against which.
type dropped struct {
	design, to int
	stage      int
	difference float64 // of the means
}

// run returns the design that is left of so many. observe returns what the designs
// still in the race show in a stage, in their order.
func (s *selection) run(designs int, observe func(alive []int, stage int) ([]float64, error)) (best int, lost []dropped, err error) {
	alive := make([]int, designs)
	for i := range alive {
		alive[i] = i
	}
	if designs < 2 {
		return 0, nil, nil
	}
	seen := make([][]float64, designs) // of the first stages
	sums := make([]float64, designs)
	for stage := 1; ; stage++ {
		values, err := observe(alive, stage)
		if err != nil {
			return smallest(alive, sums), lost, err
		}
		for i, d := range alive {
			sums[d] += values[i]
			if stage <= s.first {
				seen[d] = append(seen[d], values[i])
			}
		}
		if stage < s.first {
			continue
		}
		out := s.drop(alive, sums, seen, stage, s.squared(designs))
		lost = append(lost, out...)
		alive = slices.DeleteFunc(alive, func(d int) bool {
			return slices.ContainsFunc(out, func(x dropped) bool { return x.design == d })
		})
		if len(alive) == 1 || stage >= s.most {
			return smallest(alive, sums), lost, nil
		}
	}
}

// drop lists the designs whose mean is worse than that of another one by more than
// what chance explains at this stage.
func (s *selection) drop(alive []int, sums []float64, seen [][]float64, stage int, squared float64) (out []dropped) {
	r := float64(stage)
	for _, i := range alive {
		for _, l := range alive {
			if i == l {
				continue
			}
			room := max(0, s.delta/(2*r)*(squared*spreadOf(seen[i], seen[l])/(s.delta*s.delta)-r))
			// Designs that are equal to the last digit would drop each other.
			if d := (sums[i] - sums[l]) / r; d > room || d == room && room == 0 && l < i {
				out = append(out, dropped{i, l, stage, d})
				break
			}
		}
	}
	return out
}

// spreadOf is the variance of the differences.
func spreadOf(a, b []float64) float64 {
	n, mean, squares := float64(len(a)), 0.0, 0.0
	for i := range a {
		mean += (a[i] - b[i]) / n
	}
	for i := range a {
		d := a[i] - b[i] - mean
		squares += d * d
	}
	return squares / (n - 1)
}

func smallest(alive []int, sums []float64) int {
	return slices.MinFunc(alive, func(a, b int) int {
		switch {
		case sums[a] < sums[b]:
			return -1
		case sums[a] > sums[b]:
			return 1
		}
		return a - b
	})
}
