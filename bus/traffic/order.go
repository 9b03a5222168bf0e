package traffic

import (
	"math/bits"
	"time"
)

// order finds the earliest of the next releases of all messages, the lower rank
// first at equal instants. It is a tournament: every inner node keeps the loser
// of its match, the winner stands at the top, and only the matches on the
// winner's way up are played again when it gets a new instant (Knuth, The Art of
// Computer Programming 3, 5.4.1, "tree of losers").
//
// A match compares one number: the instant after base, shifted, and the rank. An
// instant too far ahead for the bits left is kept as "far"; when only far ones
// are left, base moves on.
type order struct {
	losers []uint64 // losers[0] is the winner
	at     []time.Duration
	base   time.Duration
	shift  uint
	far    uint64
}

// newOrder returns the order of these instants, which it keeps. Their indexes
// are the ranks.
func newOrder(at []time.Duration) order {
	shift := uint(bits.Len(uint(len(at) - 1)))
	o := order{at: at, shift: shift, far: 1<<min(63, 64-shift) - 1, losers: make([]uint64, 1<<shift)}
	o.rebuild()
	return o
}

func (o *order) key(rank int, at time.Duration) uint64 {
	return min(uint64(at-o.base), o.far)<<o.shift | uint64(rank)
}

// rebuild plays every match. It costs as much as there are messages.
func (o *order) rebuild() {
	leaves := len(o.losers)
	winners := make([]uint64, 2*leaves)
	for i := range leaves {
		at := never
		if i < len(o.at) {
			at = o.at[i]
		}
		winners[leaves+i] = o.key(i, at)
	}
	for node := leaves - 1; node >= 1; node-- {
		winners[node] = min(winners[2*node], winners[2*node+1])
		o.losers[node] = max(winners[2*node], winners[2*node+1])
	}
	o.losers[0] = winners[1]
}

// first returns the earliest instant and its rank; never when none is left.
func (o *order) first() (rank int, at time.Duration) {
	key := o.losers[0]
	if key>>o.shift == o.far {
		return o.firstFar()
	}
	return int(key & (1<<o.shift - 1)), o.base + time.Duration(key>>o.shift)
}

func (o *order) firstFar() (rank int, at time.Duration) {
	at = never
	for _, a := range o.at {
		at = min(at, a)
	}
	if at == never {
		return 0, never
	}
	o.base = at
	o.rebuild()
	return int(o.losers[0] & (1<<o.shift - 1)), at
}

// replace gives the winner, whose rank first told, a later instant.
func (o *order) replace(rank int, at time.Duration) {
	o.at[rank] = at
	key := o.key(rank, at)
	losers := o.losers
	for node := (len(losers) + rank) >> 1; node > 0; node >>= 1 {
		loser := losers[node]
		losers[node] = max(loser, key)
		key = min(loser, key)
	}
	losers[0] = key
}

// ranks is a set of ranks that knows its lowest member: the messages that wait
// for the bus, in the order in which arbitration lets them through.
type ranks struct {
	words []uint64
	count int
}

func newRanks(n int) ranks { return ranks{words: make([]uint64, (n+63)/64)} }

// add puts in a rank that is not yet a member.
func (r *ranks) add(rank int) {
	r.words[rank>>6] |= 1 << (rank & 63)
	r.count++
}

// remove takes out a member.
func (r *ranks) remove(rank int) {
	r.words[rank>>6] &^= 1 << (rank & 63)
	r.count--
}

// first returns the lowest member of a set that has one.
func (r *ranks) first() int {
	i := 0
	for r.words[i] == 0 {
		i++
	}
	return i<<6 + bits.TrailingZeros64(r.words[i])
}
