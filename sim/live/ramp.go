package live

import (
	"context"
	"fmt"
	"math"
	"time"

	"golang.org/x/time/rate"

	"stalegauge/scenarios"
)

// RampConfig says how a ramp looks for the knee: the highest rate at which loss
// and staleness stay inside their limits.
type RampConfig struct {
	From, To  float64       // datagrams a second
	Step      time.Duration // at each rate
	UntilLoss float64       // share of datagrams lost on the way, or of records at a display's full queue, that ends it
	Plan      *scenarios.Plan
	Told      func(RampStep) // of every step that has ended; nil = nobody asks
}

// RampStep is what was measured at one rate.
type RampStep struct {
	Asked, Achieved float64 // datagrams a second
	Sent, Heard     uint64  // by the sequence numbers
	Loss            float64 // share of Sent that was not heard
	QueueLoss       float64 // share of records that the worst display's full queue dropped
	Stale           string  // the signal furthest over what its limit allows, "" = none
	Passed          bool
	Why             string // it did not pass
}

// Ramp is a search for the knee.
type Ramp struct {
	Steps []RampStep // in the order in which they were run
	Knee  float64    // highest rate that passed, with all lower ones that were tried; 0 = none
	Ended string     // why it ended
}

const (
	rampGrowth = 1.5 // from one rate to the next
	rampRefine = 3   // steps between the last rate that passed and the first that did not
	// rampShort is the share of a rate below which the sender did not reach it.
	rampShort = 0.95
)

// SetRate sets the rate of a sender's pace. Up to a millisecond's worth may leave at
// once, since no clock wakes a program more often.
func SetRate(pace *rate.Limiter, perSecond float64) {
	pace.SetBurst(max(1, int(perSecond/1000)))
	pace.SetLimit(rate.Limit(perSecond))
}

// Climb runs the steps of a ramp while a sender with this pace is under way. sent
// tells how many datagrams have left, view what the listener knows. Where there is
// no listener, view is nil: every rate is then run once, and whoever listens judges.
func Climb(ctx context.Context, c RampConfig, pace *rate.Limiter, sent func() uint64, view func() View) *Ramp {
	r := &Ramp{}
	low, high := 0.0, math.Inf(1)
	refined := 0
	for at := c.From; ; {
		step, ok := c.run(ctx, at, pace, sent, view)
		if !ok {
			r.Ended = "stopped before the end"
			break
		}
		r.Steps = append(r.Steps, step)
		if c.Told != nil {
			c.Told(step)
		}
		if step.Passed {
			low = at
		} else {
			high = at
		}
		switch {
		case math.IsInf(high, 1) && at >= c.To:
			r.Ended = fmt.Sprintf("the highest rate asked for, %.0f/s, was reached", c.To)
		case math.IsInf(high, 1):
			at = min(c.To, at*rampGrowth)
			continue
		case low == 0:
			r.Ended = "the first rate was too much: " + step.Why
		case refined < rampRefine:
			refined++
			at = math.Sqrt(low * high)
			continue
		default:
			r.Ended = fmt.Sprintf("%.0f/s was too much: %s", high, r.reason(high))
		}
		break
	}
	if view != nil {
		r.Knee = low
	}
	return r
}

func (r *Ramp) reason(at float64) string {
	for _, s := range r.Steps {
		if s.Asked == at {
			return s.Why
		}
	}
	return ""
}

// run measures one rate.
func (c *RampConfig) run(ctx context.Context, at float64, pace *rate.Limiter, sent func() uint64, view func() View) (RampStep, bool) {
	SetRate(pace, at)
	settle := min(c.Step/5, 200*time.Millisecond) // what the rate before has left behind
	if !pause(ctx, settle) {
		return RampStep{}, false
	}
	step := RampStep{Asked: at, Passed: true}
	var before, after View
	if view != nil {
		before = view()
	}
	first, begun := sent(), time.Now()
	if !pause(ctx, c.Step-settle) {
		return step, false
	}
	step.Achieved = float64(sent()-first) / time.Since(begun).Seconds()
	if view != nil {
		after = view()
		c.judge(&step, &before, &after)
	}
	if step.Passed && step.Achieved < rampShort*at {
		step.Passed, step.Why = false, fmt.Sprintf("this host sent %.0f/s", step.Achieved)
	}
	return step, true
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// judge compares two views of the listener.
func (c *RampConfig) judge(s *RampStep, before, after *View) {
	a, b := &before.Counts, &after.Counts
	s.Heard = b.Heard - a.Heard
	s.Sent = b.Heard + b.Missing - a.Heard - a.Missing
	if s.Sent > 0 {
		s.Loss = float64(s.Sent-min(s.Heard, s.Sent)) / float64(s.Sent)
	}
	worst := ""
	for i := range after.Dropped {
		dropped := after.Dropped[i]
		if i < len(before.Dropped) {
			dropped -= before.Dropped[i]
		}
		if records := b.Records - a.Records; records > 0 && float64(dropped)/float64(records) > s.QueueLoss {
			s.QueueLoss, worst = float64(dropped)/float64(records), c.Plan.Receivers[i].Name
		}
	}
	stale := c.stale(before, after)
	switch {
	case s.Sent == 0:
		s.Passed, s.Why = false, "nothing was heard"
	case s.Loss > c.UntilLoss:
		s.Passed, s.Why = false, fmt.Sprintf("%.2g %% of the datagrams were lost", 100*s.Loss)
	case s.QueueLoss > c.UntilLoss:
		s.Passed, s.Why = false, fmt.Sprintf("the full queue of %s dropped %.2g %%", worst, 100*s.QueueLoss)
	case stale != "":
		s.Passed, s.Stale, s.Why = false, stale, stale+" was older than its limit allows"
	}
}

// stale returns the signal that was over its limit for the largest multiple of the
// share that the limit allows, "" when none was over it.
func (c *RampConfig) stale(before, after *View) (name string) {
	worst := 1.0
	for i := range after.Displays {
		for k, now := range after.Displays[i] {
			shown := &c.Plan.Receivers[i].Shows[k]
			limit := shown.AgeLimit()
			if limit == nil {
				continue
			}
			observed, over := now.Observed, now.Over
			if i < len(before.Displays) {
				observed -= before.Displays[i][k].Observed
				over -= before.Displays[i][k].Over
			}
			share := 0.0
			switch {
			case observed > 0:
				share = float64(over) / float64(observed)
			case now.Known && now.Age > limit.Value && now.Observed > 0:
				share = 1 // not one update all the time
			}
			if times := share / (1 - limit.Quantile); times > worst {
				worst, name = times, c.Plan.Receivers[i].Name+" "+shown.Signal.Name
			}
		}
	}
	return name
}
