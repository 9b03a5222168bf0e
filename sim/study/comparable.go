package study

import (
	"errors"
	"fmt"
	"reflect"

	"stalegauge/bus"
	"stalegauge/scenarios"
)

// Incomparable says that a difference of two designs would mean nothing.
type Incomparable struct {
	A, B string // names of the designs
	Key  string // under which the scenario of one says something else, such as bus
	Why  string
}

// Error names the designs and the reason.
func (e *Incomparable) Error() string {
	return fmt.Sprintf("%s and %s cannot be compared: %s", e.A, e.B, e.Why)
}

// Comparable returns an error that joins one [Incomparable] for each reason not to
// compare the first design with another one. Designs may differ in everything but
// the traffic, the limits that they are held to, the seed and the time simulated.
func Comparable(designs []Design) error {
	if len(designs) < 2 {
		return errors.New("a comparison needs two designs")
	}
	var all []error
	first := designs[0]
	for _, d := range designs[1:] {
		not := func(key, format string, with ...any) {
			all = append(all, &Incomparable{first.Name, d.Name, key, fmt.Sprintf(format, with...)})
		}
		if d.Plan.Seed != first.Plan.Seed {
			not("seed", "they begin with different seeds, %d and %d", first.Plan.Seed, d.Plan.Seed)
		}
		if !sameBus(&first.Plan.Bus, &d.Plan.Bus) {
			not("bus", "they hear different buses, so a difference would say nothing about the designs")
		}
		if d.Plan.Duration != first.Plan.Duration {
			not("duration", "they run for different times, %v and %v", first.Plan.Duration, d.Plan.Duration)
		}
		sameLimits(first.Plan, d.Plan, not)
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

// sameLimits complains of signals of which two designs ask for something else: a
// looser limit makes no design fresher.
func sameLimits(a, b *scenarios.Plan, not func(key, format string, with ...any)) {
	index := map[signalName]*scenarios.Shown{}
	eachSignal(b, func(_ int, name signalName, s *scenarios.Shown) { index[name] = s })
	eachSignal(a, func(_ int, name signalName, s *scenarios.Shown) {
		other := index[name]
		if other == nil {
			return
		}
		x, y := s.Limit, other.Limit
		if (x == nil) != (y == nil) || x != nil && *x != *y {
			not("receivers."+name.receiver, "they hold %s on display %s to different limits", name.signal, name.receiver)
		}
	})
}

// signalName tells a signal on a display from all others of a design.
type signalName struct {
	receiver, signal string
	id               bus.ID // two messages may have a signal of the same name
}

// String returns the name as a reader knows it.
func (n signalName) String() string { return n.receiver + " " + n.signal }

// eachSignal numbers the shown signals of a design from 0, in the order of its
// receivers.
func eachSignal(plan *scenarios.Plan, f func(at int, name signalName, s *scenarios.Shown)) {
	at := 0
	for i := range plan.Receivers {
		r := &plan.Receivers[i]
		for k := range r.Shows {
			s := &r.Shows[k]
			f(at, signalName{r.Name, s.Signal.Name, s.ID}, s)
			at++
		}
	}
}
