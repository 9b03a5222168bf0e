package mask

import (
	"errors"
	"fmt"
	"slices"

	"stalegauge/bus"
)

// Flow is the traffic of one identifier.
type Flow struct {
	ID        bus.ID
	Remote    bool
	PerSecond float64 // frames, >= 0
}

// frame returns a frame of the flow.
func (f *Flow) frame() bus.Frame {
	frame := bus.Frame{ID: f.ID}
	if f.Remote {
		frame.Kind = bus.Remote
	}
	return frame
}

// Proof says what is known of how good a setting is.
type Proof uint8

// The proofs.
const (
	Exact   Proof = iota // nothing but what is wanted passes, whatever runs on the bus
	Optimal              // no setting of the shape lets less unwanted traffic through
	Bounded              // the best that was found; no setting lets less through than Bound
)

// Answer is a setting for a set of identifiers.
type Answer struct {
	Program *Program
	Wanted  []bus.ID // in rising order
	Passes  []Pass   // of each of them
	Leaks   []Leak   // unwanted traffic that passes, the highest rate first
	Rated   bool     // the rates of the bus were known; else each other base identifier counted as 1

	Before float64 // frames a second on the bus
	After  float64 // that reach the processor, where data are compared at most
	// Unwanted is the part of After that nobody asked for. Without rates it is the
	// number of other base identifiers that pass.
	Unwanted float64
	Tight    bool // no code lets anything pass but wanted identifiers, remote frames of theirs aside
	Proof    Proof
	// Bound is a lower bound of Unwanted for every setting of the shape.
	Bound float64
	Note  string // what the proof speaks of, in a sentence
	Work  int    // done by the search, in its own unit
}

// Pass is a wanted identifier with the code that lets it pass.
type Pass struct {
	ID bus.ID
	By string
}

// Leak is unwanted traffic that passes.
type Leak struct {
	Flow
	By string
}

// DefaultWork bounds a search: about a second of one core.
const DefaultWork = 200_000_000

// Solve looks for the setting of a shape that lets the data frames of all wanted
// identifiers pass and the least of the rest of the traffic; of equal rates it
// prefers the setting that lets fewer identifiers pass at all. Without traffic
// every other base identifier counts as 1, and 29-bit identifiers by their number.
// The data of frames are taken to be unknown. work bounds the search, 0 =
// [DefaultWork]. The error says everything that is wrong with the wanted set.
func Solve(shape Shape, wanted []bus.ID, traffic []Flow, work int) (*Answer, error) {
	if err := check(shape, wanted); err != nil {
		return nil, err
	}
	wanted = slices.Clone(wanted)
	slices.Sort(wanted)
	if work <= 0 {
		work = DefaultWork
	}
	a := &Answer{Wanted: wanted, Rated: len(traffic) > 0}
	unwanted := a.unwanted(traffic)
	proven := false
	if shape.family == elements {
		a.Tight = true
		a.list(shape, unwanted, work)
	} else {
		proven = a.classes(shape, unwanted, work)
	}
	a.report(traffic, unwanted)
	a.judge(shape, proven)
	return a, nil
}

// check finds what is wrong with a wanted set.
func check(shape Shape, wanted []bus.ID) error {
	var mistakes []error
	if len(wanted) == 0 {
		return errors.New("no identifiers to let pass: a controller cannot be told to receive nothing by its masks")
	}
	if len(wanted) > maxWanted {
		return fmt.Errorf("%d identifiers to let pass, at most %d are looked at", len(wanted), maxWanted)
	}
	first := map[bus.ID]int{}
	for i, id := range wanted {
		switch j, twice := first[id]; {
		case !id.Valid():
			mistakes = append(mistakes, fmt.Errorf("identifier %d of the set: %s does not fit its width", i+1, id))
		case twice:
			mistakes = append(mistakes, fmt.Errorf("%s is wanted twice, as identifiers %d and %d of the set", id, j+1, i+1))
		case id.IsExtended() && (shape.family == eightBit || shape.family == elements && shape.second == 0):
			mistakes = append(mistakes, fmt.Errorf("%s has 29 bits, and %s receives identifiers of 11 bits only", id, shape))
		case !id.IsExtended() && shape.family == elements && shape.first == 0:
			mistakes = append(mistakes, fmt.Errorf("%s has 11 bits, and %s receives identifiers of 29 bits only", id, shape))
		}
		first[id] = i
	}
	return errors.Join(mistakes...)
}

// unwanted returns what counts against a setting.
func (a *Answer) unwanted(traffic []Flow) (out []Flow) {
	keep := func(f Flow) {
		if _, wanted := slices.BinarySearch(a.Wanted, f.ID); (f.Remote || !wanted) && f.PerSecond > 0 {
			out = append(out, f)
		}
	}
	for _, f := range traffic {
		keep(f)
	}
	if !a.Rated && !a.Wanted[0].IsExtended() {
		for id := range bus.ID(bus.MaxBaseNumber + 1) {
			keep(Flow{ID: id, PerSecond: 1})
		}
	}
	return out
}

// classes searches the shapes of codes and masks. It returns whether the optimum
// was proven.
func (a *Answer) classes(shape Shape, unwanted []Flow, work int) (proven bool) {
	best, bound := worst, worst
	proven = true
	candidates := []Shape{shape}
	if shape.family == oneCode {
		candidates = []Shape{{family: single}, {family: dual}}
		work /= 2
	}
	for _, s := range candidates {
		p := newProblem(layoutOf(s), a.Wanted, unwanted)
		f := p.prove(work)
		a.Work += p.work
		if f.cost.less(best) {
			best = f.cost
			a.Program, a.Tight = p.program(s, f.state), f.state.tight()
		}
		proven = proven && f.optimal
		if f.bound.less(bound) {
			bound = f.bound
		}
	}
	a.Bound = float64(bound.rate) / 1e6
	return proven
}

// tight reports whether a settled state lets nothing pass but its members.
func (s *state) tight() bool {
	for i := range s.classes {
		if int64(s.classes[i].n) != s.widths[i] {
			return false
		}
	}
	return true
}

// exactRemote reports whether remote frames of the wanted identifiers are turned
// away too.
func (a *Answer) exactRemote() bool {
	return !slices.ContainsFunc(a.Wanted, func(id bus.ID) bool {
		return a.Program.Accepts(&bus.Frame{ID: id, Kind: bus.Remote})
	})
}

// prove searches by rate first and then, with the work that is left, for the
// narrowest of the settings of that rate. Where there are no rates the width is
// what the proof speaks of.
func (p *problem) prove(work int) *finding {
	p.budget = work / 2
	if len(p.weight) == 0 {
		p.byWidth, p.budget = true, work
		return p.solve(nil)
	}
	byRate := p.solve(nil)
	p.byWidth, p.budget = true, p.work+work/2
	again := &finding{state: byRate.state, cost: p.settle(byRate.state)} // now with its width
	if byRate.optimal {
		again = p.solve(again)
		again.bound, again.optimal = cost{rate: byRate.cost.rate}, true
		return again
	}
	again.bound = cost{rate: byRate.bound.rate}
	return again
}

// judge says how good the setting is.
func (a *Answer) judge(shape Shape, proven bool) {
	zero := a.Unwanted == 0 && (a.Rated || !a.Wanted[0].IsExtended())
	switch {
	case a.Tight && a.exactRemote():
		a.Proof, a.Note = Exact, "exact: nothing but the wanted identifiers can pass"
	case proven || zero:
		a.Proof, a.Bound = Optimal, a.Unwanted
		a.Note = fmt.Sprintf("optimal: no setting of %s lets less of it through", shape)
	default:
		a.Proof = Bounded
		a.Note = fmt.Sprintf("the best that was found; no setting of %s lets less through than the bound", shape)
	}
}

// report fills in what passes.
func (a *Answer) report(traffic, unwanted []Flow) {
	for _, id := range a.Wanted {
		by, _ := a.Program.Match(&bus.Frame{ID: id})
		a.Passes = append(a.Passes, Pass{id, by})
	}
	var sum int64
	for _, f := range unwanted {
		frame := f.frame()
		if by, ok := a.Program.Match(&frame); ok {
			a.Leaks = append(a.Leaks, Leak{f, by})
			sum += micro(f.PerSecond)
		}
	}
	a.Unwanted = float64(sum) / 1e6
	slices.SortStableFunc(a.Leaks, func(x, y Leak) int {
		switch {
		case x.PerSecond > y.PerSecond:
			return -1
		case x.PerSecond < y.PerSecond:
			return 1
		}
		return int(int64(x.ID) - int64(y.ID))
	})
	before, after := a.Program.Rates(traffic)
	a.Before, a.After = before, after
}

// Rates returns how many frames a second of some traffic are on the bus and how
// many of them reach the processor. Where a program compares data bytes a flow
// counts as a frame without data, whose comparison passes.
func (p *Program) Rates(traffic []Flow) (before, after float64) {
	var all, passed int64
	for _, f := range traffic {
		frame := f.frame()
		all += micro(f.PerSecond)
		if p.Accepts(&frame) {
			passed += micro(f.PerSecond)
		}
	}
	return float64(all) / 1e6, float64(passed) / 1e6
}
