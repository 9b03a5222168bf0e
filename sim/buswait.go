package sim

import (
	"time"

	"stalegauge/bus"
)

// BusWait is how long the frames of one message took from their release to their
// reception, from 0 to the end.
type BusWait struct {
	Frames uint64
	Sum    time.Duration
	Max    time.Duration
}

// busWaits holds one for each message of a message set. Frames of a capture,
// whose release nobody knows, are of no message.
type busWaits []BusWait

func (b busWaits) note(f *bus.Frame) {
	if uint(f.Message) >= uint(len(b)) {
		return
	}
	w, took := &b[f.Message], f.At-f.Released
	w.Frames++
	w.Sum += took
	w.Max = max(w.Max, took)
}
