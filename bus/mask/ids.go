package mask

import (
	"errors"
	"fmt"
	"strings"

	"stalegauge/bus"
)

// maxWanted bounds a set of identifiers.
const maxWanted = 4096

// ParseIDs reads identifiers and upward ranges of them, separated by commas:
// 120,18FEF100,200-20F. Blanks do not matter. The error names every mistake with
// its place in the list, identifiers that stand twice among them.
func ParseIDs(text string) ([]bus.ID, error) {
	var ids []bus.ID
	var mistakes []error
	first := map[bus.ID]int{}
	if strings.TrimSpace(text) == "" {
		return nil, errors.New("no identifiers, expected a list such as 120,18FEF100,200-20F")
	}
	for i, item := range strings.Split(text, ",") {
		from, to, err := parseItem(strings.TrimSpace(item))
		if err != nil {
			mistakes = append(mistakes, fmt.Errorf("item %d: %w", i+1, err))
			continue
		}
		if int(to-from)+1+len(ids) > maxWanted {
			return nil, errors.Join(append(mistakes, fmt.Errorf("item %d: more than %d identifiers", i+1, maxWanted))...)
		}
		for id := from; id <= to; id++ {
			if before := first[id]; before > 0 {
				mistakes = append(mistakes, fmt.Errorf("item %d: %s stands in item %d already", i+1, id, before))
				break
			}
			first[id] = i + 1
			ids = append(ids, id)
		}
	}
	if len(mistakes) > 0 {
		return nil, errors.Join(mistakes...)
	}
	return ids, nil
}

func parseItem(item string) (from, to bus.ID, err error) {
	low, high, isRange := strings.Cut(item, "-")
	if from, err = bus.ParseID(strings.TrimSpace(low)); err != nil || !isRange {
		return from, from, err
	}
	if to, err = bus.ParseID(strings.TrimSpace(high)); err != nil {
		return from, to, err
	}
	if from.IsExtended() != to.IsExtended() || from > to {
		return from, to, fmt.Errorf("%s-%s is no range that runs upwards within one width, such as 200-20F", from, to)
	}
	return from, to, nil
}
