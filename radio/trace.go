package radio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"
)

// Sample is one broadcast of a measurement: when it was sent, and whether it
// was received.
type Sample struct {
	At       time.Duration
	Received bool
}

// Trace is a measured sequence of receptions and losses that serves as weather.
// A broadcast takes the outcome of the sample nearest in time, the earlier of
// two as near. The trace is repeated without end, one median spacing lying
// between its last sample and the first of the next pass.
//
// A hole, where samples lie more than twice the median spacing apart, is filled
// with samples at the median spacing that follow from the two-state chain fitted
// to the rest (Gilbert 1960), starting in the state of the sample before it. A
// Trace does not change and may serve any number of weathers.
type Trace struct {
	samples []Sample // the first at 0
	spacing time.Duration
	length  time.Duration // of one pass
	holes   []hole
	fit     Fit
	filled  time.Duration
}

// hole is a stretch without samples behind a sample.
type hole struct {
	after int   // index of the sample
	steps int64 // samples filled in
}

// Bounds of a trace, against unbounded work and memory.
const (
	traceSpacing = 100 * time.Microsecond // shortest median spacing
	traceFilled  = 10_000_000             // most samples filled in
	traceSamples = 10_000_000             // most samples
)

// NewTrace returns the trace of samples in the order of time, each later than
// the one before, at least two. Times count from anywhere. The slice is copied.
// Otherwise it returns the first mistake, a *Mistake.
func NewTrace(samples []Sample) (*Trace, error) {
	if n := len(samples); n < 2 || n > traceSamples {
		return nil, traceMistake(fmt.Sprintf("%d samples", n), fmt.Sprintf("2 to %d", traceSamples))
	}
	t := &Trace{samples: slices.Clone(samples)}
	spacings := make([]time.Duration, len(samples)-1)
	for i := range spacings {
		a, b := samples[i].At, samples[i+1].At
		if b <= a {
			return nil, traceMistake(fmt.Sprintf("%v behind %v", b, a), "times that grow")
		}
		if spacings[i] = b - a; spacings[i] <= 0 || b-samples[0].At <= 0 || b-samples[0].At > longestBurst {
			return nil, traceMistake(fmt.Sprintf("samples from %v to %v", samples[0].At, b), fmt.Sprintf("at most %v", longestBurst))
		}
	}
	for i := range t.samples {
		t.samples[i].At -= samples[0].At
	}
	sorted := slices.Clone(spacings)
	slices.Sort(sorted)
	t.spacing = sorted[len(sorted)/2]
	if len(sorted)%2 == 0 {
		t.spacing = (sorted[len(sorted)/2-1] + t.spacing) / 2
	}
	if t.spacing < traceSpacing {
		return nil, traceMistake("a median spacing of "+t.spacing.String(), "at least "+traceSpacing.String())
	}
	t.length = t.samples[len(samples)-1].At + t.spacing
	if err := t.findHoles(spacings); err != nil {
		return nil, err
	}
	return t, nil
}

func traceMistake(found, want string) error { return &Mistake{Key: "trace", Found: found, Want: want} }

// findHoles notes the holes and fits the chain to the pairs of samples that
// none lies between.
func (t *Trace) findHoles(spacings []time.Duration) error {
	var c counter
	var sum int64
	c.add(t.samples[0].Received)
	for i, d := range spacings {
		if d > 2*t.spacing {
			c.cut()
		}
		if c.add(t.samples[i+1].Received); d <= 2*t.spacing {
			continue
		}
		steps := int64((d - 1) / t.spacing) // the last one at least 1ns before the next sample
		if sum += steps; sum > traceFilled {
			return traceMistake(fmt.Sprintf("holes of %d samples", sum), fmt.Sprintf("at most %d to be filled", traceFilled))
		}
		t.holes = append(t.holes, hole{i, steps})
		t.filled += d - t.spacing
	}
	t.fit = c.fit()
	return nil
}

// Length returns the time after which the trace repeats.
func (t *Trace) Length() time.Duration { return t.length }

// Spacing returns the median spacing of the samples.
func (t *Trace) Spacing() time.Duration { return t.spacing }

// Fit returns the two-state chain that the holes are filled by.
func (t *Trace) Fit() Fit { return t.fit }

// Filled returns the share of the trace's time that lies in holes.
func (t *Trace) Filled() float64 { return float64(t.filled) / float64(t.length) }

// Fit describes a sequence of receptions and losses: what is counted, and the
// two-state chain estimated from it, one step from sample to sample.
type Fit struct {
	Loss float64 // share lost
	Runs []int   // lengths of the runs of losses, in order
	// ToBad and ToGood are the chances that a loss follows a reception, and a
	// reception a loss: p = n01/(n00+n01), r = n10/(n10+n11) (Yajnik et al.
	// 1999). Without a case to count they are 0 and 1.
	ToBad, ToGood float64
}

// MeanRun returns the mean length of the runs of losses, 0 without a loss.
func (f Fit) MeanRun() float64 {
	if len(f.Runs) == 0 {
		return 0
	}
	sum := 0
	for _, n := range f.Runs {
		sum += n
	}
	return float64(sum) / float64(len(f.Runs))
}

// BurstRatio returns the mean run against that of independent losses of the
// same share: mean run x (1 - loss) (McGowan, US 2002/0154641); 1 =
// independent.
func (f Fit) BurstRatio() float64 { return f.MeanRun() * (1 - f.Loss) }

// FitTwoState describes a sequence whose true means received.
func FitTwoState(received []bool) Fit {
	var c counter
	for _, r := range received {
		c.add(r)
	}
	return c.fit()
}

// counter counts losses, their runs and the pairs of neighbours.
type counter struct {
	pairs       [2][2]int // by whether the first and the second is lost
	total, lost int
	runs        []int
	run         int
	last        int
	joined      bool // the next sample is a neighbour of the last one
}

// add counts one more sample.
func (c *counter) add(received bool) {
	state := 0
	if !received {
		state = 1
		c.lost++
	}
	if c.joined {
		c.pairs[c.last][state]++
	}
	if received && c.run > 0 {
		c.runs = append(c.runs, c.run)
	}
	c.run = (c.run + 1) * state
	c.total++
	c.last, c.joined = state, true
}

// cut says that the next sample is no neighbour of the last one.
func (c *counter) cut() {
	if c.run > 0 {
		c.runs = append(c.runs, c.run)
	}
	c.run, c.joined = 0, false
}

// fit returns what the counts say.
func (c *counter) fit() Fit {
	c.cut()
	f := Fit{ToGood: 1, Runs: c.runs}
	if c.total > 0 {
		f.Loss = float64(c.lost) / float64(c.total)
	}
	if n := c.pairs[0][0] + c.pairs[0][1]; n > 0 {
		f.ToBad = float64(c.pairs[0][1]) / float64(n)
	}
	if n := c.pairs[1][0] + c.pairs[1][1]; n > 0 {
		f.ToGood = float64(c.pairs[1][0]) / float64(n)
	}
	return f
}

// received says what the trace holds at an instant of a pass, 0 <= at < length,
// when fill gives the filled sample numbered step (from 1) of a hole.
func (t *Trace) received(at time.Duration, fill func(hole int, step int64) bool) bool {
	i := sort.Search(len(t.samples), func(i int) bool { return t.samples[i].At > at }) - 1
	before := t.samples[i]
	since := at - before.At
	after, next := t.samples[0], t.length-at // the first sample of the next pass
	if i+1 < len(t.samples) {
		after = t.samples[i+1]
		next = after.At - at
	}
	h := sort.Search(len(t.holes), func(k int) bool { return t.holes[k].after >= i })
	if h < len(t.holes) && t.holes[h].after == i {
		step := min(int64((2*since+t.spacing-1)/(2*t.spacing)), t.holes[h].steps) // a half rounds down
		if last := since - time.Duration(step)*t.spacing; step > 0 && (last <= 0 || last <= next) {
			return fill(h, step)
		}
	}
	if since <= next {
		return before.Received
	}
	return after.Received
}

// replay is a place in a trace that is repeated without end.
type replay struct {
	trace  *Trace
	offset time.Duration // into the trace at time 0
	key    uint64
	pass   int64
	// The hole that was asked about last, of which pass, and the place in it.
	hole     int
	holePass int64
	change   int64 // filled sample, from 1, at which the state turns over
	state    bool  // received, before that
	pcg      rand.PCG
}

// newReplay returns a replay that starts at an instant uniform over the trace.
func newReplay(t *Trace, rng *rand.Rand) *replay {
	return &replay{trace: t, offset: time.Duration(rng.Int64N(int64(t.length))), key: rng.Uint64(), hole: -1}
}

// received says what a broadcast meets that begins at an instant. Instants never
// go back. What fills a hole depends on the stream alone.
func (r *replay) received(begin time.Duration) bool {
	at := later(begin, r.offset)
	r.pass = int64(at / r.trace.length)
	return r.trace.received(at%r.trace.length, r.fill)
}

// fill gives a sample in a hole.
func (r *replay) fill(hole int, step int64) bool {
	if hole != r.hole || r.pass != r.holePass {
		r.hole, r.holePass = hole, r.pass
		r.pcg = *rand.NewPCG(r.key, mix(uint64(r.pass))+uint64(hole))
		r.state, r.change = r.trace.samples[r.trace.holes[hole].after].Received, 0
		r.stay()
	}
	for r.change <= step {
		r.state = !r.state
		r.stay()
	}
	return r.state
}

// stay draws the samples up to the next change: geometric, at least one.
func (r *replay) stay() {
	chance := r.trace.fit.ToGood
	if r.state {
		chance = r.trace.fit.ToBad
	}
	if chance == 0 {
		r.change = math.MaxInt64
		return
	}
	u := float64(r.pcg.Uint64()>>11) * 0x1p-53
	r.change += 1 + int64(min(math.Log1p(-u)/math.Log1p(-chance), 1e15))
}
