package live

// window is how far back a late datagram still finds its place.
const window = 1024

// RunLengths is how many lengths of loss runs are told apart: 1, 2, ... and all
// from there on.
const RunLengths = 32

// Losses is what the sequence numbers of one set say. Heard + Missing is how many
// broadcasts there were from the first to the newest one, over all restarts.
type Losses struct {
	Heard      uint64             // different broadcasts
	Missing    uint64             // numbers that never came
	Duplicates uint64             // broadcasts that had been heard
	Reordered  uint64             // of Heard: came after a newer one
	Runs       [RunLengths]uint64 // runs of missing numbers by length - 1
	Longest    uint64             // run
}

// RunCount returns how many runs of missing numbers there were.
func (l *Losses) RunCount() (n uint64) {
	for _, k := range l.Runs {
		n += k
	}
	return n
}

// sequence follows the sequence numbers of one sender. Numbers are 16 bits and
// wrap; here they are counted on.
type sequence struct {
	Losses
	some    bool
	newest  int64
	settled int64 // all numbers before are in Losses
	run     uint64
	bits    [window / 64]uint64 // of the numbers from newest-window+1 on, modulo the window
}

// ahead says how far a number lies ahead of the newest one: 0 or less = behind.
func (s *sequence) ahead(number uint16) int { return int(int16(number - uint16(s.newest))) }

func (s *sequence) has(n int64) bool { return s.bits[n%window/64]&(1<<(n%64)) != 0 }

// add notes a number, which must not lie a whole window behind, and reports
// whether it is new.
func (s *sequence) add(number uint16) bool {
	if !s.some {
		s.some, s.newest, s.settled = true, int64(number)+1<<16, int64(number)+1<<16
		s.set(s.newest)
		s.Heard++
		return true
	}
	n := s.newest + int64(s.ahead(number))
	if n <= s.newest {
		if n < s.settled || s.has(n) {
			s.Duplicates++
			return false
		}
		s.set(n)
		s.Heard++
		s.Reordered++
		return true
	}
	for s.settled <= n-window {
		s.settle()
	}
	s.newest = n
	s.set(n)
	s.Heard++
	return true
}

func (s *sequence) set(n int64) { s.bits[n%window/64] |= 1 << (n % 64) }

// settle decides the oldest number and makes room for one a window later.
func (s *sequence) settle() {
	if s.settled <= s.newest && s.has(s.settled) {
		s.bits[s.settled%window/64] &^= 1 << (s.settled % 64)
		s.endRun()
	} else {
		s.Missing++
		s.run++
	}
	s.settled++
}

func (s *sequence) endRun() {
	if s.run > 0 {
		s.Runs[min(s.run, RunLengths)-1]++
		s.Longest = max(s.Longest, s.run)
		s.run = 0
	}
}

// restart forgets the numbers and keeps the counts: the next one is a first.
func (s *sequence) restart() {
	for s.some && s.settled <= s.newest {
		s.settle()
	}
	s.endRun()
	*s = sequence{Losses: s.Losses}
}

// losses returns the counts up to now. What may still come late counts as missing.
func (s *sequence) losses() Losses {
	c := *s
	c.restart()
	return c.Losses
}
