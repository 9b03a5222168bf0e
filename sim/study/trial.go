package study

import (
	"context"
	"math"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// Trial is a plan that is simulated bit by bit, for those who decide from what it
// has shown whether to go on. Its memory does not depend on the replications.
type Trial struct{ pool *pool }

// NewTrial returns a trial of which nothing has been simulated.
func NewTrial(plan *scenarios.Plan) *Trial { return &Trial{newPool(plan)} }

// Add folds a replication of the trial's plan in. The order of replications is
// part of the result.
func (t *Trial) Add(run *sim.Replication) { t.pool.add(run) }

// Plan is what is tried.
func (t *Trial) Plan() *scenarios.Plan { return t.pool.plan }

// Replications is how many have been folded in.
func (t *Trial) Replications() int { return t.pool.replications }

// Air returns the mean share of the time on air, and with access time.
func (t *Trial) Air() (own, occupied float64) {
	if t.pool.replications == 0 {
		return math.NaN(), math.NaN()
	}
	return t.pool.air.own.value(Alpha, 1).Value, t.pool.air.occupied.value(Alpha, 0).Value
}

// HighWater is the most that ever waited in a stage of the bridge, 0 where there
// is no such stage.
func (t *Trial) HighWater(stage string) int {
	for _, s := range t.pool.stages {
		if s.Name == stage {
			return s.HighWater
		}
	}
	return 0
}

// Held is how a trial stands to one limit.
type Held struct {
	Receiver string
	Shown    scenarios.Shown // with a limit
	Verdict  Verdict
	Why      string
	Floor    bool // missed by the bus itself, so that no design keeps it
	// Ratio is the age that is kept for the share of time that the limit asks for,
	// in units of the limit; of changes or starts the delay that this share of them
	// keeps, without an interval, infinite where more are never shown. It is not
	// defined where nothing was seen.
	Ratio Value
}

// Held tells how the trial stands to each limit, in the order of the displays, by
// the rule of verdicts with intervals at confidence 1-alpha. It costs a fraction of
// a whole result.
func (t *Trial) Held(alpha float64) (all []Held) {
	one := seconds(t.pool.span) / math.Max(1, float64(t.pool.replications))
	for i := range t.pool.receivers {
		signals := t.pool.receivers[i].signals
		for k := range signals {
			if s := &signals[k]; s.shown.Limit != nil {
				h := s.held(alpha, seconds(t.pool.span), one)
				h.Receiver = t.pool.plan.Receivers[i].Name
				all = append(all, h)
			}
		}
	}
	return all
}

// Worst is the largest ratio over all limits: the place of a design on a scale on
// which 1 is the limit. What is never shown is infinitely late.
func Worst(held []Held) float64 {
	worst := 0.0
	for i := range held {
		h := &held[i]
		switch {
		case h.Ratio.Defined:
			worst = max(worst, h.Ratio.Value)
		case h.Shown.Limit.Of != scenarios.OfChange: // a signal may not have changed
			worst = math.Inf(1)
		}
	}
	return worst
}

func (s *signalPool) held(alpha, simulated, one float64) Held {
	h := Held{Shown: s.shown, Verdict: Undecided}
	if s.glass == nil {
		return h
	}
	r := Signal{Shown: s.shown, Window: seconds(s.window), Observed: seconds(s.glass.Observed()), UnknownShare: s.unknown.value(alpha, 1)}
	s.decide(&r, alpha, simulated, one)
	h.Verdict, h.Why = r.Verdict, r.Why
	if limit := s.shown.Limit; limit.Of == scenarios.OfAge && r.Verdict == Missed {
		floor, _, _ := s.best.figures(s.episode.length, alpha)
		h.Floor = floor.Interval && floor.Low > 1-limit.Quantile
	}
	h.Ratio = s.ratio(&r, alpha)
	return h
}

// ratio is [Held.Ratio].
func (s *signalPool) ratio(r *Signal, alpha float64) Value {
	limit := s.shown.Limit
	if limit.Of != scenarios.OfAge {
		at := s.trialDelay()
		return Value{Defined: !math.IsNaN(at), Value: at / seconds(limit.Value), Low: math.NaN(), High: math.NaN()}
	}
	track, of := s.glass, &s.glassAge
	if limit.At == scenarios.InMemory {
		track, of = s.memory, &s.memoryAge
	}
	if track.Observed() == 0 {
		return Value{}
	}
	ages := track.Ages()
	v := of.curve.quantile(timeAbove(ages), age.Between, limit.Quantile, float64(ages.Max()), alpha)
	v.Value, v.Low, v.High = v.Value/seconds(limit.Value), v.Low/seconds(limit.Value), v.High/seconds(limit.Value)
	return v
}

// trialDelay is the delay in seconds that the share of changes or starts keeps that
// the limit asks for: infinite where more are never shown, not a number where there
// are none.
func (s *signalPool) trialDelay() float64 {
	limit := s.shown.Limit
	if limit.Of == scenarios.OfChange {
		return delayOf(&s.values.delays, s.values.changes.Count, limit.Quantile)
	}
	if at := s.first.ranked(int(math.Ceil(limit.Quantile*float64(s.first.filled+s.first.never) - 1e-9))); !math.IsNaN(at) {
		return at
	}
	return math.Inf(1)
}

// InOrder runs jobs 0 to n-1 on so many workers, 0 being one for each processor
// that Go may use, and folds what they return in their order. An error of fold, of
// the job with the lowest number that has one, or of ctx ends it.
func InOrder(ctx context.Context, workers, n int, job func(i int) (*sim.Replication, error), fold func(i int, run *sim.Replication) error) error {
	if n == 0 {
		return ctx.Err()
	}
	o := Options{Workers: workers, replicate: func(_ *scenarios.Plan, i int) (*sim.Replication, error) { return job(i) }}
	return o.runTo(ctx, nil, 0, n, fold)
}
