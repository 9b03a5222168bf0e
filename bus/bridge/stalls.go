package bridge

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

const never = time.Duration(math.MaxInt64)

// stalls hands out the spans in which the processor stands still, joined where
// they touch, in order. Random ones are drawn as they are needed.
type stalls struct {
	script []Span // in order of From, not yet handed out
	rule   RandomStalls
	stream *rand.Rand
	random time.Duration // begin of the next random one, never if there is none

	made  []Span
	first int // index of made[0]
	users [2]*stallCursor
}

// newStalls returns the spans of a configuration and two cursors over them: the
// pick-up and the processor look at different instants.
func newStalls(c *Config) (pickup, work *stallCursor) {
	s := &stalls{script: slices.Clone(c.Stalls), rule: c.Random, random: never}
	slices.SortFunc(s.script, func(a, b Span) int { return int(min(max(a.From-b.From, -1), 1)) })
	if c.Random.Every > 0 {
		s.stream = c.Stream("bridge stalls", 0)
		s.random = 0
		s.drawNext()
	}
	pickup, work = &stallCursor{from: s}, &stallCursor{from: s}
	s.users = [2]*stallCursor{pickup, work}
	pickup.span, work.span = s.at(0), s.at(0)
	return pickup, work
}

func (s *stalls) drawNext() {
	gap := s.stream.ExpFloat64() * float64(s.rule.Every)
	if gap >= float64(never-s.random) {
		s.random = never
		return
	}
	s.random += time.Duration(math.Round(gap))
}

// at returns the span with this index; one at the end of time if there is none.
func (s *stalls) at(index int) Span {
	for index-s.first >= len(s.made) {
		next, ok := s.next()
		if !ok {
			return Span{never, never}
		}
		s.made = append(s.made, next)
	}
	return s.made[index-s.first]
}

// next joins the earliest begin with everything that begins before its end.
func (s *stalls) next() (Span, bool) {
	var span Span
	for open := false; ; open = true {
		from, until := s.random, never
		scripted := len(s.script) > 0 && s.script[0].From <= s.random
		if scripted {
			from, until = s.script[0].From, s.script[0].Until
		} else if from < never-s.rule.Length {
			until = from + s.rule.Length
		}
		if from == never || open && from > span.Until {
			return span, open
		}
		if !open {
			span = Span{from, until}
		}
		span.Until = max(span.Until, until)
		if scripted {
			s.script = s.script[1:]
		} else {
			s.drawNext()
		}
	}
}

// forget drops the spans that both cursors have left behind.
func (s *stalls) forget() {
	const batch = 64
	if n := min(s.users[0].index, s.users[1].index) - s.first; n >= batch {
		s.made = s.made[:copy(s.made, s.made[n:])]
		s.first += n
	}
}

// stallCursor answers questions about instants that never go back.
type stallCursor struct {
	from  *stalls
	index int
	span  Span // the first that ends after the last question
}

func (c *stallCursor) step() {
	c.index++
	c.span = c.from.at(c.index)
	c.from.forget()
}

// release returns t, or the end of the stall that covers t.
func (c *stallCursor) release(t time.Duration) time.Duration {
	if t < c.span.From {
		return t
	}
	return c.leave(t)
}

func (c *stallCursor) leave(t time.Duration) time.Duration {
	for c.span.Until <= t {
		c.step()
	}
	if t < c.span.From {
		return t
	}
	return c.span.Until
}

// finish returns the end of work that begins at start, which is not inside a
// stall, and takes cost without the stalls that stop it.
func (c *stallCursor) finish(start, cost time.Duration) time.Duration {
	if end := start + cost; end <= c.span.From {
		return end
	}
	return c.stretch(start, cost)
}

func (c *stallCursor) stretch(start, cost time.Duration) time.Duration {
	for c.span.Until <= start {
		c.step()
	}
	end := start + cost
	for c.span.From < end {
		end += c.span.Until - c.span.From
		c.step()
	}
	return end
}
