package study

import (
	"context"
	"fmt"
	"runtime"
	"slices"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Alpha is what intervals may miss: with a fixed number of replications each of
// them, with looks all looks together.
const Alpha = 0.05

var looks = [...]int{10, 20, 40, 80, 160, 320}

// Options says how to run a plan.
type Options struct {
	// Replications is the fixed number of them; 0 means the plan's. With
	// Sequential it does not count.
	Replications int
	// Sequential runs until every limit is decided, looking only after 10, 20,
	// 40, 80, 160 and 320 replications. Each interval is then computed at
	// 1 - Alpha/6, so that over all looks together it is right at 1 - Alpha
	// (Bonferroni).
	Sequential bool
	// Precision is the relative half-width g that every mean of a signal must
	// reach as well before a sequential run stops; 0 means none is asked for.
	// It stops at g/(1+g), which makes up for dividing by an estimate (Law,
	// "Simulation Modeling and Analysis", section 9.4.1).
	Precision float64
	// Workers is how many replications run at the same time; 0 means one for
	// each processor that Go may use. The result does not depend on it.
	Workers int
	// Version of the program, for the result.
	Version string
	// Progress is told after each replication how many are done and how many
	// there can be at most. It may be nil, and is called from Run's goroutine.
	Progress func(done, atMost int)
	// Observe is shown each replication that counts, in order, and must not change
	// it. It may be nil, and is called from Run's goroutine.
	Observe func(run *sim.Replication)

	// replicate runs one replication; nil means sim.Run.
	replicate func(plan *scenarios.Plan, replication int) (*sim.Replication, error)
}

// Run runs a plan as often as the options say and returns what all replications
// together tell. They run side by side and are folded in the order of their
// indexes, so that the number of workers changes nothing.
//
// When ctx ends, Run returns the result of what was folded until then, nil when
// that is nothing, together with the error of ctx; a replication under way ends in
// the background and is dropped. When a replication fails, Run returns the error of
// the one with the lowest index.
func Run(ctx context.Context, plan *scenarios.Plan, o Options) (*Result, error) {
	stops, alpha, err := o.stops(plan)
	if err != nil {
		return nil, err
	}
	pool := newPool(plan)
	var seen []int
	finish := func() *Result {
		if pool.replications == 0 {
			return nil
		}
		r := pool.result(alpha)
		r.Version, r.Looks = o.Version, slices.Clone(seen)
		return r
	}
	for _, stop := range stops {
		fold := func(_ int, run *sim.Replication) error {
			if o.Observe != nil {
				o.Observe(run)
			}
			pool.add(run)
			if o.Progress != nil {
				o.Progress(pool.replications, stops[len(stops)-1])
			}
			return nil
		}
		if err := o.runTo(ctx, plan, pool.replications, stop, fold); err != nil {
			if ctx.Err() != nil {
				return finish(), err
			}
			return nil, err
		}
		if !o.Sequential {
			break
		}
		seen = append(seen, stop)
		if r := finish(); r.decided() && r.precise(o.Precision) {
			return r, nil
		}
	}
	return finish(), nil
}

// stops returns after how many replications the run may stop, the last one being
// the most there can be, and alpha of each interval.
func (o *Options) stops(plan *scenarios.Plan) ([]int, float64, error) {
	if o.Precision < 0 || o.Workers < 0 || o.Replications < 0 {
		return nil, 0, fmt.Errorf("replications, workers and precision must not be negative")
	}
	if o.Sequential {
		return looks[:], Alpha / float64(len(looks)), nil
	}
	n := o.Replications
	if n == 0 {
		n = plan.Replications
	}
	if n < 1 {
		return nil, 0, fmt.Errorf("%d replications: at least 1 is needed", n)
	}
	return []int{n}, Alpha, nil
}

// runTo runs replications from first up to stop and folds them in their order. An
// error of fold ends it. The error of a replication names it.
func (o *Options) runTo(ctx context.Context, plan *scenarios.Plan, first, stop int, fold func(i int, run *sim.Replication) error) error {
	quit := make(chan struct{})
	defer close(quit)
	line := o.start(plan, first, stop, quit)
	for i := first; i < stop; i++ {
		if err := ctx.Err(); err != nil { // before an outcome that waits
			return err
		}
		var out outcome
		select {
		case out = <-line.slot(i):
		case <-ctx.Done():
			return ctx.Err()
		}
		if out.err != nil {
			return out.err
		}
		if err := fold(i, out.run); err != nil {
			return err
		}
		line.free <- struct{}{}
	}
	return nil
}

type outcome struct {
	run *sim.Replication
	err error
}

// line is where outcomes wait to be folded. At most as many replications as it has
// slots are under way or wait; replication i uses slot i modulo their number.
type line struct {
	slots []chan outcome
	free  chan struct{}
}

func (l *line) slot(i int) chan outcome { return l.slots[i%len(l.slots)] }

// start lets workers run the replications from first up to stop in order, until
// quit is closed. Whoever takes an outcome must give a free slot back.
func (o *Options) start(plan *scenarios.Plan, first, stop int, quit chan struct{}) *line {
	replicate := o.replicate
	if replicate == nil {
		replicate = sim.Run
	}
	workers := o.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, stop-first)
	l := &line{slots: make([]chan outcome, 2*workers), free: make(chan struct{}, 2*workers)}
	for i := range l.slots {
		l.slots[i] = make(chan outcome, 1)
		l.free <- struct{}{}
	}
	indexes := make(chan int)
	go func() {
		defer close(indexes)
		for i := first; i < stop; i++ {
			select {
			case <-l.free:
			case <-quit:
				return
			}
			select {
			case indexes <- i:
			case <-quit:
				return
			}
		}
	}()
	for range workers {
		go func() {
			for i := range indexes {
				run, err := replicate(plan, i)
				l.slot(i) <- outcome{run, err}
			}
		}()
	}
	return l
}

// decided reports whether no verdict is open.
func (r *Result) decided() bool {
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			if r.Receivers[i].Signals[k].Verdict == Undecided {
				return false
			}
		}
	}
	return true
}

// precise reports whether every mean of every signal has a relative half-width of
// at most g/(1+g). 0 asks for nothing.
func (r *Result) precise(g float64) bool {
	if g == 0 {
		return true
	}
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			s := &r.Receivers[i].Signals[k]
			for _, v := range [...]Value{s.Age.Mean, s.MemoryAge.Mean, s.Latency.Mean, s.PeakAge.Mean, s.UpdateInterval.Mean, s.FloorMean} {
				if v.Defined && (!v.Interval || v.High-v.Value > g/(1+g)*v.Value) {
					return false
				}
			}
		}
	}
	return true
}
