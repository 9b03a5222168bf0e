package bridge

import "time"

// Rounds returns, by slot, that the entry is in every so-many-th round of its
// table: by hand or, with ByLimits, as often as its limit holds the tightest of
// all entries of the same policy. It is 0 for entries that go by another kind of
// policy. The configuration must be free of mistakes.
func (c *Config) Rounds() []int {
	rounds := make([]int, len(c.Forward))
	for index := range 1 + len(c.Policies) {
		if c.policyAt(index).Kind != Table {
			continue
		}
		multiple, _ := multiples(c, index)
		for slot, e := range c.Forward {
			if e.Policy == index {
				rounds[slot] = int(multiple[slot])
			}
		}
	}
	return rounds
}

// multiples returns, by slot, in which rounds of the table with this index the
// entries are: those whose number less the offset is a multiple.
func multiples(c *Config, index int) (multiple, offset []int64) {
	multiple, offset = make([]int64, len(c.Forward)), make([]int64, len(c.Forward))
	var slots []int
	for slot, e := range c.Forward {
		if e.Policy == index {
			slots = append(slots, slot)
		}
	}
	byLimits := c.policyAt(index).ByLimits
	tightest := never
	for _, slot := range slots {
		if limit := c.Forward[slot].Need.limit(); limit > 0 {
			tightest = min(tightest, limit)
		}
	}
	count := map[int64]int64{}
	for _, slot := range slots {
		m := int64(max(c.Forward[slot].Every, 1))
		if byLimits && c.Forward[slot].Every == 0 {
			m = byLimit(c.Forward[slot].Need.limit(), tightest)
		}
		multiple[slot] = m
		offset[slot] = count[m] % m
		count[m]++
	}
	return multiple, offset
}

// byLimit returns how many rounds an entry with this limit may take if the
// tightest is in every one.
func byLimit(limit, tightest time.Duration) int64 {
	if limit == 0 {
		return 1
	}
	return int64(limit / tightest)
}
