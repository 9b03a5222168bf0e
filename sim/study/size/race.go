package size

import (
	"math"
	"slices"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
)

// race tries candidates from the cheapest on until one keeps all limits, which is
// the best so far from then on.
func (s *search) race(wave []*candidate) error {
	var line []*candidate
	for _, c := range wave {
		if c.state == ordered && !c.AsIs && s.cheaper(c) {
			line = append(line, c)
		}
	}
	byCost(line)
	for len(line) > 0 && !s.spent() {
		group := line[:min(crowd, len(line))]
		line = line[len(group):]
		if err := s.look(group); err != nil {
			return err
		}
		for _, c := range group {
			if !s.cheaper(c) {
				c.trial, c.look = nil, 0
				continue
			}
			if err := s.decide(c); err != nil {
				return err
			}
			if c.state == met && s.cheaper(c) {
				line = nil
				s.lead(c)
			}
		}
	}
	return nil
}

// trial is one that may be observed.
type trial struct {
	*study.Trial
	seen Observer // may be nil
}

func (s *search) newTrial(c *candidate, plan *scenarios.Plan) *trial {
	t := &trial{Trial: study.NewTrial(plan)}
	if s.o.Observe != nil {
		t.seen = s.o.Observe(s.p.Name(&c.Design), plan)
	}
	return t
}

func (t *trial) add(run *sim.Replication) {
	t.Add(run)
	if t.seen != nil {
		t.seen.Add(run)
	}
}

// lead makes a candidate that keeps all limits the best one so far.
func (s *search) lead(c *candidate) {
	s.best = c
	if s.o.Best != nil && c.trial != nil && c.trial.seen != nil {
		s.o.Best(c.trial.seen)
	}
}

// decide goes on with a candidate until it is decided.
func (s *search) decide(c *candidate) error {
	for c.state == ordered {
		if err := s.look([]*candidate{c}); err != nil {
			return err
		}
	}
	return nil
}

// look brings candidates to their next look, and judges them.
func (s *search) look(group []*candidate) error {
	var jobs []job
	for _, c := range group {
		if c.state != ordered {
			continue
		}
		at := looks[c.look]
		plan := c.plan
		if at.long {
			plan = c.long
		}
		if c.trial == nil || c.trial.Plan() != plan {
			c.trial = s.newTrial(c, plan)
		}
		for i := c.trial.Replications(); i < at.runs; i++ {
			jobs = append(jobs, job{c, plan, i})
		}
	}
	if err := s.simulate(jobs, func(c *candidate, run *sim.Replication) { c.trial.add(run) }); err != nil {
		for _, c := range group {
			c.trial, c.look = nil, 0 // some of its replications are missing
		}
		return err
	}
	for _, c := range group {
		if c.state == ordered {
			c.look++
			s.judge(c)
		}
	}
	return nil
}

// judge decides a candidate after a look, if it can.
func (s *search) judge(c *candidate) {
	held := s.measure(c, c.trial.Trial)
	c.broken = nil
	shown, unsure, near := 0, 0, true
	for _, h := range held {
		switch h.Verdict {
		case study.Missed:
			shown++
			if h.Floor && !c.AsIs {
				s.floored = c
			}
		case study.Undecided:
			unsure++
		default:
			continue
		}
		c.broken = append(c.broken, h)
		near = near && within(h.Ratio)
	}
	if most := s.p.Plan.Size.AirShare; most > 0 && c.own > most && !c.AsIs && shown == 0 && unsure == 0 {
		c.state, c.trial = tooMuch, nil // the first replication had flattered it
		return
	}
	last := c.look == len(looks)
	c.either = len(c.broken) > 0 && !slices.ContainsFunc(c.broken, func(h study.Held) bool { return math.Abs(h.Ratio.Value-1) > indifference || !h.Ratio.Defined })
	switch {
	case shown > 0:
		c.state = missed
	case unsure == 0:
		c.state = met
	case last, near:
		c.state = undecided // inside the zone more work decides nothing that matters
	default:
		return
	}
	if c.state != met {
		c.trial = nil
	}
}

// within reports whether a ratio is known to lie in the indifference zone.
func within(v study.Value) bool {
	return v.Defined && v.Interval && v.Low >= 1-indifference && v.High <= 1+indifference
}
