package study

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Design is one of the designs of a comparison.
type Design struct {
	Name    string
	Plan    *scenarios.Plan
	Changes string // what makes it this design, in words or as it was written; for reports
	// Yardstick is a design that nobody has to beat: a sequential comparison does
	// not wait for differences from it.
	Yardstick bool
}

// CompareOptions says how to compare.
type CompareOptions struct {
	Options
	// Against names the design that every other one is compared with; "" compares
	// every two.
	Against string
	// Ends, when not nil, is asked after each round whether to end there. A round
	// is one replication of every design; frames are those of the bus that all
	// designs together have heard. It is not asked before the second round, and
	// must not depend on what the rounds have shown.
	Ends func(rounds int, frames uint64) bool
	// Independent gives each design traffic and fading of its own. It is there
	// to show what common streams are worth.
	Independent bool
	// FoldedOf, when not nil, is told each replication of each design as it is
	// folded, design being its index. It must keep nothing of run.
	FoldedOf func(design int, run *sim.Replication)
}

// Comparison is what designs have shown on the same traffic and the same fading.
type Comparison struct {
	Version      string
	Designs      []Design
	Results      []*Result // of each design alone; their intervals are not those of differences
	Replications int       // of each design
	Frames       uint64    // of the bus, all designs together
	Simulated    float64   // seconds of one design, all replications
	Sequential   bool      // it might have stopped at any look
	Looks        []int     // replications at which it looked whether it may stop; nil with a fixed number
	Against      string    // the design that all others are compared with; "" = every two
	Confidence   float64   // of each interval of a difference: 1 - Alpha over the number of pairs, and of looks
	// Key is the signal whose p99 decides which design is fresher; it is
	// empty when no signal was shown by all designs.
	Key   KeySignal
	Pairs []Pair
}

// KeySignal is the signal that is closest to its limit: of those that all designs
// have shown the one with the largest p99 in units of its limit, on average over
// the designs. What a design is better by has no part in that average, so that the
// choice does not lean to either side. Without any limit the period of the source
// takes its place.
type KeySignal struct{ Receiver, Signal string }

// Pair is how design B differs from design A.
type Pair struct {
	A, B int // index into Designs
	Key  int // index into Signals of the key signal, -1 without one
	// Overall is the average over the signals that both designs have shown.
	Overall Ages
	// Worst is the largest p99 of an age in units of its limit, over the signals
	// with a limit on the displays of both; of a limit of changes it is the delay
	// of the share of them that the limit asks for. What is never shown is
	// infinitely late.
	Worst               Paired
	OwnShare            Paired // energy on air, of the time
	OwnOccupancy        Paired // with access time
	BroadcastsPerSecond Paired
	Signals             []PairedSignal // on the displays of both
	OnlyA, OnlyB        []string       // "display signal" of those on the displays of one
}

// Ages are the compared figures of a signal or of several. Times are in seconds.
type Ages struct {
	Mean, P95, P99 Paired // age where the limit counts, at the glass without one, weighted by time
	OverLimit      Paired // share of observed time; undefined without a limit
	Unknown        Paired // share of the window
	Late           Paired // share of the changes beyond their limit or never shown; undefined where changes are not followed
	Wrong          Paired // share of the time with another value at the glass than the bus carried last; undefined likewise
}

// PairedSignal is a signal on a display in both designs.
type PairedSignal struct {
	Receiver, Signal string
	Ages
}

// Paired is a figure of two designs, not a number where it is not defined. The
// difference is that of pooled values, B less A; its interval comes from the
// jackknife over at most [MaxGroups] groups of replications, the same group left
// out of both.
type Paired struct {
	A, B       float64
	Difference Value
}

// Decisive is p99 of the key signal, which decides who is fresher: not a number
// without one.
func (p *Pair) Decisive() Paired {
	if p.Key < 0 {
		return Paired{A: math.NaN(), B: math.NaN(), Difference: Value{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}}
	}
	return p.Signals[p.Key].P99
}

// Sign returns -1 where the interval of the difference lies below 0, 1 where it
// lies above, else 0.
func (p Paired) Sign() int {
	switch d := p.Difference; {
	case d.Interval && d.High < 0:
		return -1
	case d.Interval && d.Low > 0:
		return 1
	}
	return 0
}

// Equal reports whether the figure was the same in every group of replications.
func (p Paired) Equal() bool {
	d := p.Difference
	return d.Interval && d.Low == 0 && d.High == 0
}

// Compare runs designs side by side. Replication i of each meets the same traffic,
// the same fading and the same phases, so that differences are known better than
// the figures themselves. It returns an error when there are fewer than two
// designs, when two cannot be compared, and as [Run] does: when ctx ends, the
// comparison of the rounds until then with the error of ctx, nil below two rounds.
//
// With Sequential it looks after 10, 20, 40, 80, 160 and 320 rounds whether every
// pair has shown which design is fresher at p99 of the key signal. With Ends it may stop
// between two looks; what it then tells counts as one of the six.
func Compare(ctx context.Context, designs []Design, o CompareOptions) (*Comparison, error) {
	if err := Comparable(designs); err != nil {
		return nil, err
	}
	pairs, err := o.pairs(designs)
	if err != nil {
		return nil, err
	}
	stops, alpha, err := o.stops(designs[0].Plan)
	if err != nil {
		return nil, err
	}
	if most := stops[len(stops)-1]; most < 2 {
		return nil, errors.New("1 replication has no interval: a comparison takes two or more")
	}
	r := &race{o: &o, contest: newContest(designs), pairs: pairs, stops: stops, alpha: alpha}
	return r.run(ctx)
}

// pairs lists who is compared with whom, by index.
func (o *CompareOptions) pairs(designs []Design) (pairs [][2]int, err error) {
	against := slices.IndexFunc(designs, func(d Design) bool { return d.Name == o.Against })
	if o.Against != "" && against < 0 {
		return nil, fmt.Errorf("no design has the name %q", o.Against)
	}
	for a := range designs {
		for b := a + 1; b < len(designs); b++ {
			switch {
			case o.Against == "" || a == against:
				pairs = append(pairs, [2]int{a, b})
			case b == against:
				pairs = append(pairs, [2]int{b, a})
			}
		}
	}
	return pairs, nil
}

// race is a comparison under way.
type race struct {
	o       *CompareOptions
	contest *contest
	pairs   [][2]int
	stops   []int
	alpha   float64 // of one interval of a single design
	seen    []int   // looks
}

var errEnds = errors.New("told to end")

func (r *race) run(ctx context.Context) (*Comparison, error) {
	plans := r.contest.plans(r.o.Independent)
	inner := r.o.Options
	inner.replicate = func(_ *scenarios.Plan, job int) (*sim.Replication, error) {
		run, err := sim.Run(plans[job%len(plans)], job/len(plans))
		if err != nil {
			err = fmt.Errorf("design %s: %w", r.contest.designs[job%len(plans)].Name, err)
		}
		return run, err
	}
	most := r.stops[len(r.stops)-1]
	var waiting []*sim.Replication
	fold := func(_ int, run *sim.Replication) error {
		if waiting = append(waiting, run); len(waiting) < len(plans) {
			return nil
		}
		c := r.contest
		c.add(waiting)
		if r.o.FoldedOf != nil {
			for i, run := range waiting {
				r.o.FoldedOf(i, run)
			}
		}
		waiting = waiting[:0]
		if r.o.Progress != nil {
			r.o.Progress(c.replications, most)
		}
		if !slices.Contains(r.stops, c.replications) && r.ends() {
			return errEnds
		}
		return nil
	}
	for _, stop := range r.stops {
		err := inner.runTo(ctx, nil, r.contest.replications*len(plans), stop*len(plans), fold)
		switch {
		case err == errEnds:
			return r.result(), nil
		case err != nil && ctx.Err() != nil:
			return r.result(), err
		case err != nil:
			return nil, err
		}
		if r.o.Sequential {
			r.seen = append(r.seen, stop)
			if c := r.result(); c.shown() || r.ends() {
				return c, nil
			}
		}
	}
	return r.result(), nil
}

// ends reports whether the comparison is told to end.
func (r *race) ends() bool {
	c := r.contest
	return r.o.Ends != nil && c.replications >= 2 && r.o.Ends(c.replications, c.frames)
}

// result is nil below two replications.
func (r *race) result() *Comparison {
	if r.contest.replications < 2 {
		return nil
	}
	c := r.contest.result(r.pairs, r.alpha)
	c.Version, c.Against = r.o.Version, r.o.Against
	c.Sequential, c.Looks = r.o.Sequential, slices.Clone(r.seen)
	for _, one := range c.Results {
		one.Version, one.Looks = c.Version, c.Looks
	}
	return c
}

// shown reports whether every pair that somebody waits for has shown which design
// is fresher, or that they do not differ at all.
func (c *Comparison) shown() bool {
	for i := range c.Pairs {
		p := &c.Pairs[i]
		d := p.Decisive()
		open := d.Sign() == 0 && !d.Equal() && !math.IsNaN(d.Difference.Value)
		if open && !c.Designs[p.A].Yardstick && !c.Designs[p.B].Yardstick {
			return false
		}
	}
	return true
}
