package size

import (
	"math"

	"stalegauge/sim"
	"stalegauge/sim/study"
)

// farthest bounds a ratio where means are taken: what is never shown has none.
const farthest = 10

// keep keeps of several candidates the one with the smallest worst ratio in the
// mean over replications, by paired differences.
func (s *search) keep(group []*candidate) (*candidate, error) {
	kn := selection{first: 10, most: 96, alpha: study.Alpha, delta: indifference}
	best, lost, err := kn.run(len(group), func(alive []int, stage int) ([]float64, error) {
		var jobs []job
		var values []float64
		for _, i := range alive {
			jobs = append(jobs, job{group[i], group[i].plan, stage - 1})
		}
		err := s.simulate(jobs, func(c *candidate, run *sim.Replication) {
			values = append(values, worstOf(c, run))
		})
		return values, err
	})
	s.alikes += len(lost)
	return group[best], err
}

// worstOf is the worst ratio of one replication.
func worstOf(c *candidate, run *sim.Replication) float64 {
	t := study.NewTrial(c.plan)
	t.Add(run)
	return math.Min(farthest, study.Worst(t.Held(study.Alpha)))
}

// compareMargins finds the design with the most margin that keeps all limits: of
// those whose first replication has shown the smallest worst ratios the one that
// paired differences leave.
func (s *search) compareMargins() error {
	for s.best == nil {
		var group []*candidate
		for _, c := range s.all {
			if c.state == ordered && !c.AsIs {
				group = append(group, c)
			}
		}
		if len(group) == 0 {
			return nil
		}
		byCost(group)
		best, err := s.keep(group[:min(finalists, len(group))])
		if err != nil {
			return err
		}
		if err := s.decide(best); err != nil {
			return err
		}
		switch {
		case best.state == met:
			s.lead(best)
		case s.spent():
			return nil
		}
	}
	return nil
}
