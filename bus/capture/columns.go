package capture

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Columns says which columns of a CSV file hold what: each by its name in the
// header, in upper or lower case, or by its number from 1. "" leaves a role to the
// names of the header; without a header it has no column then.
type Columns struct {
	Time      string
	ID        string
	Extended  string // width of the identifier: 29 or 11, ext or std, yes or no
	Channel   string
	Length    string
	Data      string // all bytes; or the first and the last column of one byte each, such as 5-12 or D0-D7
	Direction string
}

// list returns the mapping by role.
func (c Columns) list() [roles]string {
	var out [roles]string
	out[timeColumn], out[idColumn], out[extendedColumn], out[channelColumn] = c.Time, c.ID, c.Extended, c.Channel
	out[lengthColumn], out[dataColumn], out[directionColumn] = c.Length, c.Data, c.Direction
	return out
}

// mapped works out the layout of a CSV file whose columns are named.
func mapped(sample [][]byte, o Options) (l layout, hint string, ok bool) {
	best, near := 0, -2
	for i := -1; i < min(len(sample), headerLines); i++ {
		for _, separator := range []byte{';', '\t', ','} {
			candidate, base, found, why := o.Columns.resolve(sample, i, separator)
			if why != "" {
				if found > near {
					hint, near = why, found
				}
				continue
			}
			if o.IDBase != 0 {
				base = o.IDBase
			}
			rows := sample[i+1:]
			candidate.skip = int64(i + 1)
			candidate.decide(rows, base, o)
			if n := candidate.readable(rows, len(rows)); n > best {
				l, best = candidate, n
			} else if n == 0 && found >= near {
				near = found
				hint = "no row is a frame with the columns as they are named"
			}
		}
		if best > 0 && i >= 0 {
			break // the uppermost header
		}
	}
	if best == 0 {
		return l, hint, false
	}
	how := "columns as asked for"
	if l.skip > 0 {
		how += fmt.Sprintf(", names in line %d", l.skip)
	}
	l.notes = append([]string{how}, l.notes...)
	return l, "", true
}

// resolve finds the columns by the header in line i of the sample; -1 is a file
// without header. found is how many are there where not all are.
func (c Columns) resolve(sample [][]byte, i int, separator byte) (l layout, base, found int, why string) {
	var names []string
	l = layout{separator: separator, exponent: -1}
	for r := range l.columns {
		l.columns[r] = -1
	}
	if i >= 0 {
		var fields [maxColumns][]byte
		n, reason := split(sample[i], separator, &fields)
		if reason != "" || n < 2 {
			return l, 0, -1, "the file has no columns"
		}
		l, base, _, _ = header(sample[i], separator)
		for _, f := range fields[:n] {
			names = append(names, string(f))
		}
	}
	for r, text := range c.list() {
		if text == "" {
			continue
		}
		first, last, isRange := columnRange(text, names)
		if first >= 0 {
			found++
		}
		switch {
		case role(r) == dataColumn && isRange:
			l.columns[dataColumn], l.bytes = -1, nil
			for at := first; at <= last; at++ {
				l.bytes = append(l.bytes, int16(at))
			}
		case first < 0 && i < 0:
			return l, 0, -1, "the columns are named, but the file has none"
		case first < 0:
			return l, 0, found, fmt.Sprintf("no column %q: line %d has %s", text, max(i+1, 1), strings.Join(names, ", "))
		case role(r) == dataColumn:
			l.bytes = nil
			fallthrough
		default:
			l.columns[r] = int16(first)
			if h := heading(names, first); role(r) == timeColumn {
				l.exponent = h.exponent
			} else if role(r) == idColumn {
				base = h.base
			}
		}
	}
	if missing := l.lacks(); missing != "" {
		return l, 0, found, fmt.Sprintf("no %s column is named", missing)
	}
	return l, base, found, ""
}

// heading reads the name of a column, of which there may be none.
func heading(names []string, at int) headingOf {
	if at < len(names) {
		return readHeading(names[at])
	}
	return headingOf{byte: -1, exponent: -1}
}

// columnRange finds a column, or the first and last of several, from 0; first is
// -1 for one that is not there. A name that holds a dash goes before a range.
func columnRange(text string, names []string) (first, last int, isRange bool) {
	if first = columnOf(text, names); first >= 0 {
		return first, first, false
	}
	from, to, found := strings.Cut(text, "-")
	first, last = columnOf(strings.TrimSpace(from), names), columnOf(strings.TrimSpace(to), names)
	if found && first >= 0 && last > first && last-first < 64 {
		return first, last, true
	}
	return -1, -1, false
}

// columnOf finds a column by its name or number.
func columnOf(text string, names []string) int {
	at := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, text) })
	if n, err := strconv.Atoi(text); at < 0 && err == nil && n >= 1 && n <= maxColumns {
		return n - 1
	}
	return at
}
