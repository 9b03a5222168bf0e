package capture

import (
	"fmt"
	"math/bits"
	"slices"
	"time"

	"stalegauge/bus"
)

// maxIDs bounds the identifiers a summary holds, so that a capture of random
// ones does not fill the memory.
const maxIDs = 1 << 16

// Summary is what one pass over a capture tells.
type Summary struct {
	Report   Report
	Span     time.Duration // from the first frame to the last, gaps cut as the options say
	IDs      []IDSummary   // of data and remote frames, by identifier
	OtherIDs int64         // frames of identifiers beyond the first 65,536
}

// IDSummary is what a capture holds of one identifier.
type IDSummary struct {
	ID          bus.ID
	Frames      int64
	First, Last time.Duration
}

// Period returns the mean period, 0 for a single frame.
func (s IDSummary) Period() time.Duration {
	if s.Frames < 2 {
		return 0
	}
	return (s.Last - s.First) / time.Duration(s.Frames-1)
}

// Scan reads the capture in a file once. See [Open] for the path.
func Scan(path string, o Options) (Summary, error) {
	r, err := Open(path, o)
	if err != nil {
		return Summary{}, err
	}
	defer r.Close()
	return Summarize(r)
}

// Summarize reads what is left of a capture.
func Summarize(r *Reader) (Summary, error) {
	var s Summary
	var f bus.Frame
	index := idIndex{}
	for r.Next(&f) {
		if f.Kind == bus.Error {
			continue
		}
		i := index.of(f.ID)
		if i < 0 {
			if len(s.IDs) == maxIDs {
				s.OtherIDs++
				continue
			}
			i = len(s.IDs)
			index.set(f.ID, i)
			s.IDs = append(s.IDs, IDSummary{ID: f.ID, First: f.At})
		}
		s.IDs[i].Frames++
		s.IDs[i].Last = f.At
	}
	slices.SortFunc(s.IDs, func(a, b IDSummary) int { return int(int64(a.ID) - int64(b.ID)) })
	s.Report = r.Report()
	s.Span = s.Report.Span
	return s, r.Err()
}

// idIndex maps identifiers to small numbers.
type idIndex struct {
	standard [maxStandard + 1]int32 // number + 1
	extended map[bus.ID]int32
}

// of returns the number of an identifier, -1 if it has none.
func (x *idIndex) of(id bus.ID) int {
	if id <= maxStandard {
		return int(x.standard[id]) - 1
	}
	return int(x.extended[id]) - 1
}

func (x *idIndex) set(id bus.ID, i int) {
	if id <= maxStandard {
		x.standard[id] = int32(i + 1)
		return
	}
	if x.extended == nil {
		x.extended = map[bus.ID]int32{}
	}
	x.extended[id] = int32(i + 1)
}

// steadyFrames is how many frames make an identifier one that a round of the
// loop is measured by.
const steadyFrames = 20

// steady reports whether an identifier is there from the beginning to the end.
func (s *Summary) steady(id *IDSummary) bool {
	reach := id.Period() * 3 / 2
	return id.Frames >= steadyFrames && id.Last > id.First && id.First <= reach && s.Span-id.Last <= reach
}

// leastRound bounds a round of the loop from below: each round reads the capture
// anew, which shorter ones would do for longer than they last.
const leastRound = time.Millisecond

// Round returns the length of one round of the loop; see [Replay].
func (s *Summary) Round() (time.Duration, error) {
	if s.Span <= 0 || s.Report.Frames < 2 {
		return 0, fmt.Errorf("%s: all frames have the same time: the capture cannot be looped", s.Report.Name)
	}
	round := s.round()
	if round < leastRound {
		return 0, fmt.Errorf("%s: the capture lasts %v, too short to be looped: is the unit of its times right?", s.Report.Name, s.Span)
	}
	return round, nil
}

// round is Round for a capture that has a span.
func (s *Summary) round() time.Duration {
	var slowest *IDSummary
	var bound time.Duration
	for i := range s.IDs {
		id := &s.IDs[i]
		if !s.steady(id) {
			continue
		}
		if end := id.Last - id.First + id.Period()*3/2; slowest == nil || end < bound {
			bound = end
		}
		if slowest == nil || id.Period() > slowest.Period() {
			slowest = id
		}
	}
	if slowest != nil {
		whole := bound / max(slowest.Period(), 1)
		return mulDiv(slowest.Last-slowest.First, int64(whole), slowest.Frames-1)
	}
	return s.Span + max(s.Span/time.Duration(s.Report.Frames-1), 1)
}

// mulDiv returns a*b/c rounded down; the quotient must fit.
func mulDiv(a time.Duration, b, c int64) time.Duration {
	high, low := bits.Mul64(uint64(a), uint64(b))
	q, _ := bits.Div64(high, low, uint64(c))
	return time.Duration(q)
}
