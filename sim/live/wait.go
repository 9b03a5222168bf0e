package live

import (
	"context"
	"time"
)

// wait waits until a datagram of the bridges' instant at may be written, and
// returns when it is due. It returns false when ctx ends before.
func (s *sender) wait(ctx context.Context, at time.Duration) (due time.Time, ok bool) {
	now := time.Now()
	due = now
	if s.Speed > 0 {
		due = s.start.Add(s.scale(at))
	}
	if s.Pace != nil {
		if delay := s.Pace.ReserveN(due, 1).DelayFrom(due); delay > 0 {
			due = due.Add(delay)
			s.result.Held++
		}
	}
	if !due.After(now) {
		return due, true
	}
	return due, s.sleep(ctx, due)
}

// sleep waits for an instant and reports whether it came before the end of ctx.
// Others may look meanwhile.
func (s *sender) sleep(ctx context.Context, until time.Time) bool {
	s.mu.Unlock()
	defer s.mu.Lock()
	coarse := time.Until(until)
	if s.Fine {
		coarse -= coarseSleep
	}
	if coarse > 0 {
		s.timer.Reset(coarse)
		select {
		case <-s.timer.C:
		case <-ctx.Done():
			return false
		}
	}
	for s.Fine {
		d := time.Until(until)
		if d <= 0 {
			break
		}
		fineSleep(d)
	}
	return ctx.Err() == nil
}

// coarseSleep is by how much a timer of the runtime may be late: while nothing else
// happens it wakes up at whole milliseconds on some systems.
const coarseSleep = 2 * time.Millisecond
