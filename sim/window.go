package sim

// sequenceWindow remembers which of the latest sequence numbers have been
// handled, so that the repeat of a broadcast is told from a new one. Sequence
// numbers are 16 bits and wrap; one that lies more than half the circle ahead is
// behind.
type sequenceWindow struct {
	newest uint16
	bits   [windowWords]uint64 // bit of sequence s: s modulo the window
	some   bool
}

const (
	windowWords = 16
	windowSize  = windowWords * 64
)

// behind returns how far a sequence number lies behind the newest one, 0 when it
// does not.
func (w *sequenceWindow) behind(sequence uint16) int {
	if !w.some {
		return 0
	}
	return max(0, -int(int16(sequence-w.newest)))
}

// add notes a sequence number and reports whether it is new.
func (w *sequenceWindow) add(sequence uint16) bool {
	if !w.some {
		w.some, w.newest = true, sequence
		w.set(sequence)
		return true
	}
	ahead := int16(sequence - w.newest)
	if ahead > 0 {
		// The numbers that were skipped have not been handled: forget what
		// stood in their places a whole window ago.
		for s, n := w.newest+1, 0; n < min(int(ahead), windowSize); s, n = s+1, n+1 {
			w.bits[s%windowSize/64] &^= 1 << (s % 64)
		}
		w.newest = sequence
		w.set(sequence)
		return true
	}
	if int(-ahead) >= windowSize || w.bits[sequence%windowSize/64]&(1<<(sequence%64)) != 0 {
		return false
	}
	w.set(sequence)
	return true
}

func (w *sequenceWindow) set(sequence uint16) {
	w.bits[sequence%windowSize/64] |= 1 << (sequence % 64)
}
