package study

import (
	"context"
	"errors"
	"fmt"
	"reflect"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Design is one of the designs of a comparison.
type Design struct {
	Name string
	Plan *scenarios.Plan
}

// CompareOptions says how to compare.
type CompareOptions struct {
	Options
	// Ends, when not nil, is asked after each round of replications, with how
	// many are done, whether to end there. Rounds end after 10, 20, 40, ... 320
	// replications with Sequential and after every 10 otherwise.
	Ends func(done int) bool
	// Independent gives each design traffic and fading of its own. It is there
	// to show what common streams are worth.
	Independent bool
}

// Comparison is what designs have shown on the same traffic and the same fading.
type Comparison struct {
	Designs      []Design
	Results      []*Result // of each design alone; their intervals are not those of differences
	Replications int
	Looks        []int   // replications at which it looked whether it may stop; nil with a fixed number
	Confidence   float64 // of the interval of each pair: 1 - Alpha over the number of pairs, and of looks
	Pairs        []Pair  // every design with every later one
}

// Pair is how design B differs from design A.
type Pair struct {
	A, B int // index into Designs
	// Worst is the largest p99 in units of its limit, over all signals with a
	// limit on all displays of the design.
	Worst               Paired
	OwnShare            Paired // energy on air, of the time
	OwnOccupancy        Paired // with access time
	BroadcastsPerSecond Paired
	Signals             []PairedSignal // that both designs show
}

// PairedSignal is a signal on a display in both designs. Times are in seconds.
type PairedSignal struct {
	Receiver, Signal string
	Mean, P95, P99   Paired // age where the limit of A counts, weighted by time
	OverLimit        Paired // share of observed time; undefined without a limit in both
}

// Paired is a figure of two designs. The difference is that of pooled values, B
// less A; its interval comes from the jackknife over at most [MaxGroups] groups of
// replications, the same group left out of both.
type Paired struct {
	A, B       float64
	Difference Value
}

// Compare runs designs side by side. Replication i of each meets the same traffic,
// the same fading and the same phases, so that differences are known better than
// the figures themselves. It returns an error when there are fewer than two
// designs, when two cannot be compared, and as [Run] does.
func Compare(ctx context.Context, designs []Design, o CompareOptions) (*Comparison, error) {
	if err := comparable(designs); err != nil {
		return nil, err
	}
	stops, alpha, err := o.stops(designs[0].Plan)
	if err != nil {
		return nil, err
	}
	pairs := len(designs) * (len(designs) - 1) / 2
	rounds := o.rounds(stops)
	contest := newContest(designs)
	plans := contest.plans(o.Independent)
	inner := o.Options
	inner.replicate = func(_ *scenarios.Plan, job int) (*sim.Replication, error) {
		return sim.Run(plans[job%len(plans)], job/len(plans))
	}
	waiting := make([]*sim.Replication, 0, len(plans))
	fold := func(_ int, run *sim.Replication) {
		if waiting = append(waiting, run); len(waiting) < len(plans) {
			return
		}
		contest.add(waiting)
		waiting = waiting[:0]
		if o.Progress != nil {
			o.Progress(contest.replications, rounds[len(rounds)-1])
		}
	}
	var seen []int
	finish := func() *Comparison {
		if contest.replications < 2 {
			return nil
		}
		c := contest.result(alpha, alpha/float64(pairs))
		c.Looks = seen
		for _, r := range c.Results {
			r.Version, r.Looks = o.Version, seen
		}
		return c
	}
	for _, stop := range rounds {
		if err := inner.runTo(ctx, designs[0].Plan, contest.replications*len(plans), stop*len(plans), fold); err != nil {
			if ctx.Err() != nil {
				return finish(), err
			}
			return nil, err
		}
		if o.Sequential {
			seen = append(seen, stop)
		}
		c := finish()
		if stop == rounds[len(rounds)-1] || o.Ends != nil && o.Ends(stop) || o.Sequential && c.shown() {
			return c, nil
		}
	}
	return nil, errors.New("no rounds")
}

// rounds returns after how many replications a comparison may end.
func (o *CompareOptions) rounds(stops []int) []int {
	last := stops[len(stops)-1]
	if o.Sequential || o.Ends == nil {
		return stops
	}
	var rounds []int
	for n := looks[0]; n < last; n += looks[0] {
		rounds = append(rounds, n)
	}
	return append(rounds, last)
}

// shown reports whether every pair has shown which one is fresher.
func (c *Comparison) shown() bool {
	for _, p := range c.Pairs {
		if d := p.Worst.Difference; !d.Interval || d.Low <= 0 && d.High >= 0 {
			return false
		}
	}
	return true
}

// comparable reports designs between which a difference would mean nothing.
func comparable(designs []Design) error {
	if len(designs) < 2 {
		return errors.New("a comparison needs two designs")
	}
	var all []error
	first := designs[0]
	for _, d := range designs[1:] {
		switch {
		case d.Plan.Seed != first.Plan.Seed:
			all = append(all, fmt.Errorf("%s and %s begin with different seeds: %d and %d", first.Name, d.Name, first.Plan.Seed, d.Plan.Seed))
		case !sameBus(&first.Plan.Bus, &d.Plan.Bus):
			all = append(all, fmt.Errorf("%s and %s hear different buses: a difference would say nothing about the designs", first.Name, d.Name))
		case d.Plan.Duration != first.Plan.Duration:
			all = append(all, fmt.Errorf("%s and %s run for different times: %v and %v", first.Name, d.Name, first.Plan.Duration, d.Plan.Duration))
		}
	}
	return errors.Join(all...)
}

// sameBus reports whether two designs hear the same traffic.
func sameBus(a, b *scenarios.Bus) bool {
	if (a.Capture == nil) != (b.Capture == nil) {
		return false
	}
	if a.Capture != nil {
		return a.Capture.Same(b.Capture)
	}
	return reflect.DeepEqual(a, b)
}
