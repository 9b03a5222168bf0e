package capture

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	headerLines = 50   // in which the column names are looked for
	sampleRows  = 2000 // from which the reading of the columns is decided
)

// detect works out the layout of a CSV file from its first lines. The hint says
// what was missing when there is none.
func detect(sample [][]byte, o Options) (l layout, hint string, ok bool) {
	best := 0
	var base int
	for i, line := range sample[:min(len(sample), headerLines)] {
		for _, separator := range []byte{';', '\t', ','} {
			candidate, b, score, missing := header(line, separator)
			if score < 2 || score <= best {
				continue
			}
			if missing != "" {
				if score > 2 && hint == "" {
					hint = fmt.Sprintf("line %d looks like column names, but no %s column is among them", i+1, missing)
				}
				continue
			}
			l, base, best = candidate, b, score
			l.skip = int64(i + 1)
			l.notes = []string{fmt.Sprintf("columns by their names in line %d", i+1)}
		}
	}
	if best == 0 {
		return headerless(sample, o, hint)
	}
	rows := sample[l.skip:]
	if o.IDBase != 0 {
		base = o.IDBase
	}
	l.decide(rows, base, o)
	if l.readable(rows, 1) > 0 {
		return l, "", true
	}
	return l, fmt.Sprintf("no row behind the column names in line %d is a frame", l.skip), false
}

// readable counts the rows that are frames which agree with their own length,
// up to enough.
func (l *layout) readable(rows [][]byte, enough int) int {
	t, e, found := tally{}, entry{}, 0
	p := csvParser{layout: *l, tally: &t}
	for _, row := range rows {
		extra := t.r.ExtraBytes
		if len(row) == 0 || p.parse(row, &e) != "" || t.r.ExtraBytes != extra {
			continue
		}
		if found++; found == enough {
			break
		}
	}
	return found
}

// headerless tries the orders of columns that loggers without a header write:
// time, perhaps a channel, identifier, perhaps a length, data.
func headerless(sample [][]byte, o Options, hint string) (layout, string, bool) {
	rows := make([][]byte, 0, 200)
	for _, row := range sample {
		if len(row) > 0 && !comment(row) && len(rows) < cap(rows) {
			rows = append(rows, row)
		}
	}
	var best layout
	most := len(rows) / 2
	for _, separator := range []byte{';', '\t', ','} {
		for form := range 8 {
			l := form8(form, separator, rows)
			if l.bytes == nil && l.columns[dataColumn] < 0 {
				continue
			}
			l.lacks()
			l.decide(rows, o.IDBase, o)
			n := l.readable(rows, len(rows))
			if l.columns[lengthColumn] < 0 && l.bytes == nil && widest(rows, separator) > int(l.columns[dataColumn])+1 {
				continue // not the last column: bytes would be lost
			}
			if n > most {
				best, most = l, n
			}
		}
	}
	if most == len(rows)/2 {
		return best, hint, false
	}
	best.notes = append([]string{"no column names: the order of the columns is a guess"}, best.notes...)
	return best, "", true
}

// form8 returns one of the eight orders of columns without a header.
func form8(form int, separator byte, rows [][]byte) layout {
	l := layout{separator: separator, exponent: -1}
	for r := range l.columns {
		l.columns[r] = -1
	}
	next := int16(1)
	l.columns[timeColumn] = 0
	if form >= 4 {
		l.columns[channelColumn] = next
		next++
	}
	l.columns[idColumn] = next
	next++
	if form%4 < 2 {
		l.columns[lengthColumn] = next
		next++
	}
	if form%2 == 0 {
		l.columns[dataColumn] = next
		return l
	}
	for c := next; int(c) < min(widest(rows, separator), int(next)+64); c++ {
		l.bytes = append(l.bytes, c)
	}
	l.bytesEnd = l.columns[lengthColumn] >= 0
	return l
}

// widest returns the largest number of columns of a row.
func widest(rows [][]byte, separator byte) int {
	var fields [maxColumns][]byte
	most := 0
	for _, row := range rows {
		n, _ := split(row, separator, &fields)
		most = max(most, n)
	}
	return most
}

// decide settles by the values what the header leaves open, and says so.
func (l *layout) decide(rows [][]byte, base int, o Options) {
	var fields [maxColumns][]byte
	var times, ids, bytes []string
	for _, row := range rows {
		n, reason := l.cut(row, &fields)
		if reason != "" || n < l.need {
			continue
		}
		times = append(times, string(fields[l.columns[timeColumn]]))
		ids = append(ids, string(fields[l.columns[idColumn]]))
		for _, c := range l.bytes {
			if int(c) < n && len(fields[c]) > 0 && len(bytes) < 8*sampleRows {
				bytes = append(bytes, string(fields[c]))
			}
		}
	}
	l.decideTime(times, o)
	l.decideID(ids, base, o.IDBase != 0)
	l.decideBytes(bytes)
	l.note(lengthColumn, "bytes, or a length code of 9..15 where the data say so")
}

// note says how a column is read, if there is one.
func (l *layout) note(r role, how string) {
	if l.columns[r] >= 0 {
		where := fmt.Sprintf("column %d", l.columns[r]+1)
		if l.template != nil {
			where = "group " + l.template.pattern.SubexpNames()[l.columns[r]]
		}
		l.notes = append(l.notes, fmt.Sprintf("%s: %s, %s", roleNames[r], where, how))
	}
}

// decideTime tells numbers from times of day, and the unit of numbers.
func (l *layout) decideTime(times []string, o Options) {
	numbers, clocks := 0, 0
	for _, t := range times {
		if _, _, reason := nanoseconds([]byte(t), 0); reason == "" {
			numbers++
		} else if _, _, _, reason := clock([]byte(t)); reason == "" {
			clocks++
		}
	}
	if l.clock = clocks > numbers; l.clock {
		l.note(timeColumn, "time of day")
		return
	}
	how := "stated by the header"
	if o.TimeUnit != 0 {
		how = "as asked for"
		l.exponent = map[time.Duration]int{time.Second: 9, time.Millisecond: 6, time.Microsecond: 3, time.Nanosecond: 0}[o.TimeUnit]
	} else if l.exponent < 0 {
		how = "a guess by the values: state the unit if it is wrong"
		l.exponent = guessUnit(times)
	}
	l.note(timeColumn, "in "+unitNames[l.exponent]+", "+how)
}

// guessUnit tells the unit of plain numbers. Epochs tell it by their size.
// Otherwise it is the finest unit in which the frames of a bus follow each other
// at a believable mean distance, 0.1 ms or more; numbers with decimals are
// seconds unless that made less than five frames a second.
func guessUnit(times []string) int {
	var steps []float64
	var previous, largest float64
	decimals := false
	for i, t := range times {
		t = strings.Replace(t, ",", ".", 1)
		v, err := strconv.ParseFloat(t, 64)
		if err != nil {
			continue
		}
		decimals = decimals || strings.Contains(t, ".")
		if i > 0 && v >= previous {
			steps = append(steps, v-previous)
		}
		previous = v
		if i < 20 {
			largest = max(largest, v)
		}
	}
	slices.Sort(steps)
	steps = steps[:len(steps)-len(steps)/20] // without the gaps
	step := 0.0
	for _, s := range steps {
		step += s / float64(len(steps))
	}
	switch {
	case largest >= 1e17:
		return 0
	case largest >= 1e14:
		return 3
	case largest >= 1e11:
		return 6
	case decimals && (step <= 0.2 || largest >= 1e9):
		return 9
	case decimals:
		return 6
	case step >= 1e5:
		return 0
	case step >= 100:
		return 3
	case step >= 0.1:
		return 6
	}
	return 9
}

// decideID tells hex from decimal identifiers and padding from width.
func (l *layout) decideID(ids []string, base int, asked bool) {
	letters, zeros, long, wide, three, padded := 0, 0, 0, 0, 0, 0
	for _, id := range ids {
		bare := strings.TrimPrefix(strings.ToLower(id), "0x")
		if bare != strings.ToLower(id) || strings.ContainsAny(bare, "abcdefhx") {
			letters++
		}
		if len(bare) > 1 && bare[0] == '0' {
			zeros++
		}
		v, err := strconv.ParseUint(bare, 16, 64)
		if len(bare) > 8 {
			long++
		} else if err == nil && v > maxStandard {
			wide++
		}
		if len(bare) == 3 || len(bare) == 8 {
			three++
		}
		if len(bare) == 8 && v <= maxStandard {
			padded++
		}
	}
	n, how := len(ids), ""
	switch {
	case asked:
		l.decimalID, how = base == 10, "as asked for"
	case base != 0:
		l.decimalID, how = base == 10, "stated by the header"
	case letters > 0:
		how = "the values have hex digits"
	case long > 0:
		l.decimalID, how = true, "the values have more than 8 digits"
	case zeros > 0 || three == n:
		how = "a guess by the number of digits"
	case wide > 0:
		l.decimalID, how = true, "a guess: in hex some would be too large for 11 bits"
	default:
		how = "a guess, nothing tells"
	}
	name := "hex"
	if l.decimalID {
		name = "decimal"
	}
	l.note(idColumn, name+", "+how)
	if n > 0 && padded == n && !l.decimalID && l.columns[extendedColumn] < 0 {
		l.paddedID = true
		l.note(idColumn, "8 digits taken as padding, a guess: no value is above 7FF")
	}
}

// decideBytes tells hex from decimal byte columns.
func (l *layout) decideBytes(values []string) {
	if l.bytes == nil {
		l.note(dataColumn, "hex")
		return
	}
	how := "hex, a guess"
	if l.decimalByte {
		how = "decimal, stated by the header"
	} else if slices.ContainsFunc(values, func(s string) bool { return strings.ContainsAny(s, "abcdefABCDEFxX") }) {
		how = "hex, the values have hex digits"
	} else if slices.ContainsFunc(values, func(s string) bool { return len(s) == 3 }) {
		l.decimalByte = true
		how = "decimal, values have three digits"
	}
	l.notes = append(l.notes, fmt.Sprintf("data: %d columns from %d, %s", len(l.bytes), l.bytes[0]+1, how))
}

// sampleLines cuts the beginning of a file into lines, the last one only if it
// is whole.
func sampleLines(head []byte, whole bool) [][]byte {
	var sample [][]byte
	for len(head) > 0 && len(sample) < sampleRows {
		n := bytes.IndexByte(head, '\n')
		if n < 0 {
			if !whole && len(sample) > 0 {
				break
			}
			n = len(head)
		}
		sample = append(sample, trim(bytes.Trim(head[:n], "\x00\x1a")))
		head = head[min(n+1, len(head)):]
	}
	return sample
}
