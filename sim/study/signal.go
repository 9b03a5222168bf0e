package study

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// signalPool gathers what all replications measured of one signal on one display.
type signalPool struct {
	shown   scenarios.Shown
	episode episode

	glass, memory, floor         *age.Track
	glassAge, memoryAge, bestAge timed
	latency, peak, interval      counted
	limited, best                excess // of the place with the limit and of the floor
	unknown                      ratio
	window                       time.Duration
	waterfall                    [fate.Stages]age.Int128

	values    valuesPool
	expiry    expiryPool
	deadlines deadlinesPool
	first     pictures
	starts    trialPool     // starts without a first picture in time
	looked    time.Duration // from power-up to the end of a replication
}

func (s *signalPool) add(run *sim.SignalRun, window time.Duration) {
	if s.glass == nil {
		s.glass = age.NewTrack(run.Glass.Limit())
		s.memory = age.NewTrack(run.Memory.Limit())
		s.floor = age.NewTrack(run.Floor.Limit())
	}
	s.glass.Merge(run.Glass)
	s.memory.Merge(run.Memory)
	s.floor.Merge(run.Floor)
	s.glassAge.add(run.Glass)
	s.memoryAge.add(run.Memory)
	s.bestAge.add(run.Floor)
	s.latency.add(run.Glass.Latencies())
	s.peak.add(run.Glass.Peaks())
	s.interval.add(run.Glass.Intervals())
	s.unknown.add(seconds(window-run.Glass.Observed()), seconds(window))
	s.window += window
	for k, term := range run.Waterfall {
		s.waterfall[k] = s.waterfall[k].Add(term)
	}
	s.addValues(run, window)
	if limit := s.shown.Limit; limit != nil && limit.Of != scenarios.OfFirstPicture {
		track := run.Glass
		if limit.At == scenarios.InMemory {
			track = run.Memory
		}
		if track.Limit() != limit.Value || run.Floor.Limit() != limit.Value {
			panic("study: a track was not given the limit of its signal")
		}
		s.limited.add(track)
		s.best.add(run.Floor)
	}
}

// addValues folds in what goes beyond ages.
func (s *signalPool) addValues(run *sim.SignalRun, window time.Duration) {
	if run.Values != nil {
		s.values.add(run.Values)
	}
	if run.Expiry != nil {
		s.expiry.add(run.Expiry)
	}
	s.deadlines.add(&run.Deadlines)
	s.first.note(run.Seen, run.First, window)
	if limit := s.shown.Limit; limit != nil && limit.Of == scenarios.OfFirstPicture && (run.Seen || s.looked >= limit.Value) {
		late := uint64(1)
		if run.Seen && run.First <= limit.Value {
			late = 0
		}
		s.starts.add(1, late)
	}
}

// result works the figures out; simulated is the time of all replications, from
// their starts, and one that of one of them.
func (s *signalPool) result(alpha, simulated, one float64) Signal {
	r := Signal{Shown: s.shown, Window: seconds(s.window)}
	if s.glass == nil {
		r.Standing = math.NaN()
		r.judge(judged{})
		return r
	}
	observed := s.glass.Observed()
	r.Observed = seconds(observed)
	r.UnknownShare = s.unknown.value(alpha, 1)
	r.Age = s.glassAge.statistic(s.glass, alpha)
	r.MemoryAge = s.memoryAge.statistic(s.memory, alpha)
	r.Latency = s.latency.statistic(s.glass.Latencies(), observed, alpha)
	r.PeakAge = s.peak.statistic(s.glass.Peaks(), observed, alpha)
	r.UpdateInterval = s.interval.statistic(s.glass.Intervals(), observed, alpha)
	best := s.bestAge.statistic(s.floor, alpha)
	r.FloorMean, r.FloorP99 = best.Mean, best.P99
	if observed > 0 {
		r.WaterfallOpen = true
		for k, term := range s.waterfall {
			r.Waterfall[k] = term.Float64() / 2 / float64(observed) / second
		}
	}
	r.Values, r.Expiry, r.Deadlines = s.values.result(alpha), s.expiry.result(s.episode.length, alpha), s.deadlines.result(s.shown.Firm, alpha)
	if l := s.shown.Limit; r.Values != nil && (l == nil || l.Of != scenarios.OfChange) {
		r.Values.InTime = Value{} // in no time
	}
	r.First, r.NeverShown = s.first.statistic(alpha), s.first.never
	r.ExpiryFor = expiryFor(s.glass, s.floor, s.shown.Period, s.shown.FalseAlarms)
	r.Standing = s.standing(&r)
	s.decide(&r, alpha, simulated, one)
	return r
}

// decide works out what the verdict rests on, and the verdict. r holds the shares
// that the window tells already.
func (s *signalPool) decide(r *Signal, alpha, simulated, one float64) {
	if s.shown.Limit == nil {
		r.Verdict = NoLimit
		return
	}
	if s.shown.Limit.Of != scenarios.OfAge {
		r.Late = s.late(alpha)
		r.judgeTrials(simulated, one)
		return
	}
	r.OverLimit, r.Violations, r.MeanOverage = s.limited.figures(s.episode.length, alpha)
	limited := s.glass
	if s.shown.Limit.At == scenarios.InMemory {
		limited = s.memory
	}
	r.LongestOver = seconds(limited.Longest())
	if r.OverLimit.Defined && s.limited.violations == 0 {
		r.BoundBasis = s.episode.basis
	}
	floor, _, _ := s.best.figures(s.episode.length, alpha)
	r.judge(judged{
		floor: floor, none: s.limited.violations == 0,
		unknown: s.unknownFor(r.UnknownShare, alpha), simulated: simulated, one: one,
	})
}

// unknownFor returns the unknown share as a verdict takes it. A single replication
// has no interval; when it never saw the value unknown, the bound of an episode
// that was never seen stands in.
func (s *signalPool) unknownFor(v Value, alpha float64) Value {
	if !v.Interval && v.Defined && v.Value == 0 {
		e := excess{observed: s.window}
		v, _, _ = e.figures(s.episode.length, alpha)
	}
	return v
}

// episode is how long one stay above a limit that was never seen may be expected
// to last, in seconds, and what that rests on.
type episode struct {
	length float64
	basis  string
}

// takeHold takes how long forward list and policy hold a signal back.
func takeHold(c *bridge.Config, s *scenarios.Shown, take func(d time.Duration, name string)) {
	slot := slices.IndexFunc(c.Forward, func(f bridge.Forward) bool { return f.ID == s.ID })
	if slot < 0 {
		return
	}
	f := &c.Forward[slot]
	take(f.MinGap, "the cap")
	take(s.Period*time.Duration(max(f.Divide, 1)), "the divider's period")
	switch p := c.PolicyOf(slot); p.Kind {
	case bridge.Fill:
		take(p.Hold, "the bridge's hold")
	case bridge.Table:
		take(p.Every*time.Duration(c.Rounds()[slot]), "the bridge's table period")
	case bridge.Change:
		take(p.Heartbeat, "the bridge's heartbeat")
	}
}

// episodeOf takes the longest of the times that hold a value back: the period of
// the source, the hold of the bridge, the redraw and the mean time in a bad state
// of the radio, of what all displays share, or of the measured trace.
func episodeOf(plan *scenarios.Plan, r *scenarios.Receiver, s *scenarios.Shown) episode {
	var longest time.Duration
	var of string
	take := func(d time.Duration, name string) {
		if d > longest {
			longest, of = d, name
		}
	}
	take(s.Period, "the source's period")
	takeHold(&plan.Bridge, s, take)
	redraw := r.Redraw
	if redraw == 0 {
		redraw = r.MinRedraw
	}
	take(redraw, "the redraw")
	if r.Weather.Loss != r.Weather.GoodLoss {
		take(r.Weather.Burst, "the mean bad time of the radio")
	}
	if r.Weather.LongShare > 0 {
		take(r.Weather.LongBurst, "the mean long bad time of the radio")
	}
	if c := plan.Common; c != nil && c.Loss != c.GoodLoss {
		take(c.Burst, "the mean bad time that all displays share")
	}
	if t := r.Weather.Trace; t != nil {
		take(time.Duration(t.Fit().MeanRun()*float64(t.Spacing())), "the mean run of losses of the trace")
	}
	rounded := longest.Round(10 * time.Microsecond)
	if rounded == 0 {
		rounded = longest
	}
	return episode{length: seconds(longest), basis: fmt.Sprintf("%s, %v", of, rounded)}
}
