package traffic

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestOrderAgreesWithSorting(t *testing.T) {
	type release struct {
		at   time.Duration
		rank int
	}
	for _, messages := range []int{1, 2, 3, 7, 64, 96, 129, 1000} {
		// The widest span has instants that only fit after base has moved on.
		for _, span := range []int64{5, 1e9, 1 << 61} {
			r := rand.New(rand.NewPCG(uint64(messages), uint64(span)))
			next := make([]time.Duration, messages)
			left := make([]int, messages)
			var want, got []release
			plan := make([][]time.Duration, messages)
			for rank := range messages {
				for range 20 {
					plan[rank] = append(plan[rank], time.Duration(r.Int64N(span)))
				}
				slices.Sort(plan[rank])
				for _, at := range plan[rank] {
					want = append(want, release{at, rank})
				}
				next[rank] = plan[rank][0]
			}
			slices.SortStableFunc(want, func(a, b release) int {
				return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.rank, b.rank))
			})
			o := newOrder(next)
			for {
				rank, at := o.first()
				if at == never {
					break
				}
				got = append(got, release{at, rank})
				left[rank]++
				if left[rank] == len(plan[rank]) {
					o.replace(rank, never)
				} else {
					o.replace(rank, plan[rank][left[rank]])
				}
			}
			require.Equal(t, want, got, "%d messages over %d ns", messages, span)
		}
	}
}

func TestRanksKnowTheLowest(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	members := map[int]bool{}
	set := newRanks(200)
	for range 5000 {
		rank := r.IntN(200)
		if members[rank] {
			set.remove(rank)
			delete(members, rank)
		} else {
			set.add(rank)
			members[rank] = true
		}
		require.Equal(t, len(members), set.count)
		if len(members) == 0 {
			continue
		}
		lowest := 200
		for m := range members {
			lowest = min(lowest, m)
		}
		require.Equal(t, lowest, set.first())
	}
}
