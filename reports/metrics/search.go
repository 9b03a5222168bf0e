package metrics

import (
	"sync"

	"stalegauge/sim/study/size"
)

// Search is how far a search for a design is.
type Search struct {
	Frames       uint64  // of the bus, simulated for all designs together
	Budget       float64 // share of the budget of the search that is used up
	Tried, Space int     // designs of the first pass through the space
}

var (
	searchFrames = &family{prefix + "search_bus_frames_total", counter, "Frames of the bus simulated for all designs of a search.", nil}
	searchBudget = &family{prefix + "search_budget_used_ratio", gauge, "Share of the budget that a search has used up.", nil}
	searchTried  = &family{prefix + "search_designs_tried", gauge, "Designs of the space that the first pass of a search has tried.", nil}
	searchSpace  = &family{prefix + "search_designs_space", gauge, "Designs in the space of a search.", nil}
)

func (s *Search) walk(emit emitter) {
	emit(searchFrames, 0, number(float64(s.Frames)))
	emit(searchBudget, 0, number(s.Budget))
	emit(searchTried, 0, number(float64(s.Tried)))
	emit(searchSpace, 0, number(float64(s.Space)))
}

// Searching is the source of a search under way: how far it is, and the ages of the
// best design so far under that design's own name. It may be used from several
// goroutines.
type Searching struct {
	design string
	lock   sync.Mutex
	search Search
	best   *Tally
}

// NewSearching returns the source of a search that has not begun; its progress goes
// by the name given.
func NewSearching(name string) *Searching { return &Searching{design: name} }

// Work notes the frames of the bus so far and the share of the budget they took.
func (s *Searching) Work(frames uint64, budget float64) {
	s.lock.Lock()
	defer s.lock.Unlock()
	s.search.Frames, s.search.Budget = frames, min(budget, 1)
}

// Pass notes how many designs of how many have been tried.
func (s *Searching) Pass(tried, space int) {
	s.lock.Lock()
	defer s.lock.Unlock()
	s.search.Tried, s.search.Space = tried, space
}

// Best notes the tally of the best design so far.
func (s *Searching) Best(o size.Observer) {
	s.lock.Lock()
	defer s.lock.Unlock()
	s.best = o.(*Tally)
}

// Source returns a copy of what is known. It is a Source.
func (s *Searching) Source() []*Snapshot {
	s.lock.Lock()
	search, best := s.search, s.best
	s.lock.Unlock()
	all := []*Snapshot{{Design: s.design, Search: &search}}
	if best == nil {
		return all
	}
	found := best.Source()
	found[0].Progress = nil // each look at a design has replications of its own
	return append(all, found...)
}
