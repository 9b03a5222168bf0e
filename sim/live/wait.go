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
func (s *sender) sleep(ctx context.Context, until time.Time) bool {
	d := time.Until(until)
	if d <= 0 {
		return ctx.Err() == nil
	}
	s.timer.Reset(d)
	select {
	case <-s.timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
