package study

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// Values is the answer on what a display has shown of the values of a signal. A
// change counts where the limit counts, inside the window.
type Values struct {
	Changes     uint64 // that a frame carried
	Overwritten uint64 // further ones, which no frame carried
	InTime      Value  // share of the changes shown within the limit; undefined without a limit of changes
	Never       Value  // share of the changes never shown
	Delay       Statistic
	Rises       uint64 // changes to another value than 0
	RisesSeen   Value  // share of them ever shown

	WrongShare   Value   // of the time with a value at the glass: another one than the bus carried last
	WrongMean    Value   // mean duration of a wrong stretch, seconds
	WrongLongest float64 // seconds
	// IncorrectAge is the mean age of incorrect information in seconds: 0 while
	// the value is right, else the time since it was.
	IncorrectAge Value
}

// Expiry is the answer on the expiry of a signal.
type Expiry struct {
	Expired    Value // share of the time with a value that is too old to be shown as good
	False      Value // share of the time in which that was so although the bus had a good one
	FalseAlarm Value // such alarms an hour
}

// Deadlines is the answer on the deadlines that a limit of age sets: each value of
// the bus, or a newer one, at the glass within the limit.
type Deadlines struct {
	Count   uint64
	Missed  Value // share
	Longest uint64
	Streaks []uint64 // at [n-1] how often n in a row were missed
	Kept    Value    // share of the runs of Firm.Of in which at least Firm.Met were met
}

// valuesPool gathers what replications say of the values of a signal.
type valuesPool struct {
	seen                    bool
	changes                 sim.Changes
	inTime, never, rises    ratio
	delays                  age.Points
	delay                   counted
	wrong, stretch, onError ratio
	longest                 float64
	phases                  []trialPool
}

// trialPool gathers trials: their number and the share of those that were late.
type trialPool struct {
	count uint64
	share ratio
}

func (t *trialPool) add(count, late uint64) {
	t.count += count
	t.share.add(float64(late), float64(count))
}

// trials is the ratio as a share of trials, of which each that stand in a row count
// as one, since they overlap. With none or all of them the other end is the exact
// one-sided bound, otherwise the interval is the wider of the t-interval across
// replications and Wilson's.
func (r *ratio) trials(each int, alpha float64) Value {
	v := r.value(alpha, 1)
	if !v.Defined {
		return v
	}
	n := max(1, r.x/float64(each))
	w := Interval{0, NoneOf(int(n), alpha)}
	switch {
	case r.y == 0:
	case r.y == r.x:
		w = Interval{1 - w.High, 1}
	default:
		w = wilson(v.Value*n, n, -distuv.UnitNormal.Quantile(alpha/2))
	}
	if v.Interval {
		w = Interval{min(v.Low, w.Low), max(v.High, w.High)}
	}
	v.Interval, v.Low, v.High = true, w.Low, w.High
	return v
}

func (p *valuesPool) add(run *sim.ValueRun) {
	p.seen = true
	c := &run.Changes
	p.changes.Add(c)
	p.inTime.add(float64(c.InTime), float64(c.Count))
	p.never.add(float64(c.Never), float64(c.Count))
	p.rises.add(float64(c.RisesSeen), float64(c.Rises))
	p.delays.Merge(&run.Delays)
	p.delay.add(&run.Delays)
	w := &run.Wrong
	p.wrong.add(seconds(w.Time), seconds(w.Observed))
	p.stretch.add(seconds(w.Time), float64(w.Spells))
	p.onError.add(w.TwiceArea.Float64()/2/second/second, seconds(w.Observed))
	p.longest = max(p.longest, seconds(w.Longest))
	if p.phases == nil {
		p.phases = make([]trialPool, len(run.Phases))
	}
	for i := range run.Phases {
		p.phases[i].add(run.Phases[i].Count, run.Phases[i].Count-run.Phases[i].InTime)
	}
}

func (p *valuesPool) result(alpha float64) *Values {
	if !p.seen {
		return nil
	}
	return &Values{
		Changes: p.changes.Count, Overwritten: p.changes.Overwritten, Rises: p.changes.Rises,
		InTime: p.inTime.trials(1, alpha), Never: p.never.trials(1, alpha), RisesSeen: p.rises.trials(1, alpha),
		Delay:      p.delay.statistic(&p.delays, 0, alpha),
		WrongShare: p.wrong.value(alpha, 1), WrongMean: p.stretch.value(alpha, 0), WrongLongest: p.longest,
		IncorrectAge: p.onError.value(alpha, 0),
	}
}

// expiryPool gathers what replications say of an expiry.
type expiryPool struct {
	seen           bool
	expired, wrong excess
}

func (p *expiryPool) add(run *sim.ExpiryRun) {
	p.seen = true
	observed := seconds(run.Glass.Observed())
	p.expired.add(run.Glass)
	// At every instant the value at the glass is at least as old as the one on
	// the bus, so the difference of the times is the time of the difference.
	over := run.Glass.OverLimit() - run.Floor.OverLimit()
	alarms := max(run.Glass.Violations(), run.Floor.Violations()) - run.Floor.Violations()
	p.wrong.share.add(seconds(over), observed)
	p.wrong.rate.add(float64(alarms), observed/3600)
	p.wrong.over += over
	p.wrong.violations += alarms
	p.wrong.observed += run.Glass.Observed()
}

// result takes an alarm that was never seen to last as long as an episode.
func (p *expiryPool) result(episode, alpha float64) *Expiry {
	if !p.seen {
		return nil
	}
	e := &Expiry{}
	e.Expired, _, _ = p.expired.figures(episode, alpha)
	e.False, e.FalseAlarm, _ = p.wrong.figures(episode, alpha)
	return e
}

// expiryFor returns the least age, at the edge of a bucket and not below two periods
// of the source, that the value at the glass passes at most so many times an hour more
// often than the value on the bus does, in seconds; 0 where nothing was measured.
func expiryFor(glass, floor *age.Track, period time.Duration, perHour float64) float64 {
	hours := seconds(glass.Observed()) / 3600
	if hours == 0 {
		return 0
	}
	cause, lowest := make([]uint64, age.Buckets), age.Buckets
	floor.Peaks().Above(func(bucket int, values uint64) { cause[bucket], lowest = values, bucket })
	for bucket := range lowest {
		cause[bucket] = floor.Peaks().Count()
	}
	found := seconds(glass.Peaks().Max())
	glass.Peaks().Above(func(bucket int, values uint64) {
		if age.Edge(bucket) >= 2*period && float64(values)-float64(cause[bucket]) <= perHour*hours {
			found = min(found, seconds(age.Edge(bucket)))
		}
	})
	return found
}

// deadlinesPool gathers what replications say of deadlines.
type deadlinesPool struct {
	count   uint64
	streaks []uint64
	longest uint64
	missed  ratio
	kept    ratio
}

func (p *deadlinesPool) add(run *sim.Deadlines) {
	if p.streaks == nil {
		p.streaks = make([]uint64, len(run.Streaks))
	}
	p.count += run.Count
	for i, n := range run.Streaks {
		p.streaks[i] += n
	}
	p.longest = max(p.longest, run.Longest)
	p.missed.add(float64(run.Missed), float64(run.Count))
	p.kept.add(float64(run.Kept), float64(run.Windows))
}

func (p *deadlinesPool) result(firm scenarios.Firm, alpha float64) *Deadlines {
	if p.count == 0 {
		return nil
	}
	return &Deadlines{Count: p.count, Missed: p.missed.trials(1, alpha), Longest: p.longest, Streaks: p.streaks, Kept: p.kept.trials(firm.Of, alpha)}
}

// late is the share of trials that were late for a limit that speaks of trials.
func (s *signalPool) late(alpha float64) Value {
	if s.shown.Limit.Of == scenarios.OfFirstPicture {
		return s.starts.share.trials(1, alpha)
	}
	late := s.values.inTime.rest()
	return late.trials(1, alpha)
}

// standing is how far the signal is from its limit, see [Signal.Standing].
func (s *signalPool) standing(r *Signal) float64 {
	l := s.shown.Limit
	if l == nil {
		return math.NaN()
	}
	delay := math.Inf(1)
	if l.Of != scenarios.OfAge {
		delay = s.trialDelay()
	} else {
		p99 := r.Age.P99
		if l.At == scenarios.InMemory {
			p99 = r.MemoryAge.P99
		}
		if p99.Defined {
			delay = p99.Value
		}
	}
	return delay / seconds(l.Value)
}

// delayOf is the delay that a share of all changes keeps, in seconds: those never
// shown are later than all others. It is not a number where nothing changed.
func delayOf(shown *age.Points, changes uint64, share float64) float64 {
	// The slack keeps a share like 0.07 of 100 at 7 changes whatever the rounding.
	switch n := share * float64(changes) * (1 - 1e-12); {
	case changes == 0:
		return math.NaN()
	case n > float64(shown.Count()):
		return math.Inf(1)
	default:
		return shown.Quantile(n/float64(shown.Count())) / second
	}
}

// rest is the ratio of what is left: 1 less the ratio.
func (r *ratio) rest() ratio {
	// y' = x - y in every replication.
	return ratio{n: r.n, x: r.x, xx: r.xx, y: r.x - r.y, xy: r.xx - r.xy, yy: r.xx - 2*r.xy + r.yy}
}
