package traffic

import "time"

// Statistics says what happened on the bus from instant 0 to the last frame
// handed out.
type Statistics struct {
	Frames   uint64              // handed out, error frames excepted
	Busy     time.Duration       // time taken by frames and error frames, intermission included
	Errors   uint64              // frames destroyed by bit errors; each was sent again
	Messages []MessageStatistics // in the order of the message set
}

// MessageStatistics says what became of the instances of one message. Released
// is the sum of Sent, Overwritten and Waiting.
type MessageStatistics struct {
	Released    uint64 // up to the reception of the last frame handed out
	Sent        uint64
	Overwritten uint64 // replaced by a newer instance before they were sent
	Waiting     uint64 // released and not yet sent
	MaxWaiting  uint64 // most instances that waited at once, counting one that found the bus free
	Errors      uint64 // times an instance was destroyed by a bit error
}

// Load returns the share of the time from 0 to an instant, above 0, in which the
// bus was busy.
func (s *Statistics) Load(until time.Duration) float64 {
	return float64(s.Busy) / float64(until)
}

// Statistics returns what happened so far. It allocates.
func (s *Set) Statistics() Statistics {
	t := Statistics{Frames: s.frames, Busy: s.busy, Errors: s.errors.frames}
	t.Messages = make([]MessageStatistics, len(s.messages))
	for i := range s.messages {
		m := &s.messages[i]
		t.Messages[m.index] = MessageStatistics{
			Released: uint64(m.released), Sent: m.sent, Overwritten: m.overwritten,
			Waiting: uint64(m.waiting), MaxWaiting: uint64(m.most), Errors: m.struck,
		}
	}
	return t
}

// Busy returns Statistics.Busy without allocating.
func (s *Set) Busy() time.Duration { return s.busy }
