package capture

import (
	"strconv"
	"strings"
)

// The names by which a column's role is known: lower case, letters and digits
// only, without unit and base.
var columnNames = [roles][]string{
	timeColumn: {"time", "timestamp", "t", "ts", "timestamps", "abstime", "absolutetime", "reltime", "relativetime",
		"timeoffset", "offset", "zeit", "zeitstempel", "epoch", "epochtime", "unixtime", "datetime", "timeofday", "clock"},
	idColumn: {"id", "canid", "arbitrationid", "arbid", "identifier", "messageid", "msgid", "frameid", "address",
		"addr", "kennung", "ident"},
	extendedColumn: {"ext", "extended", "ide", "isextended", "isextendedid", "extendedid", "idtype", "idformat",
		"frameformat", "format", "eff", "xtd", "idwidth", "width"},
	channelColumn:   {"bus", "channel", "ch", "chan", "interface", "iface", "port", "busid", "channelid", "kanal", "network"},
	lengthColumn:    {"dlc", "length", "len", "size", "datalength", "datalen", "payloadlength", "datasize", "laenge", "lng", "nbytes"},
	dataColumn:      {"data", "payload", "databytes", "datahex", "daten", "databyte", "bytes", "datafield", "rawdata"},
	directionColumn: {"dir", "direction", "rxtx", "txrx", "richtung"},
	kindColumn:      {"type", "frametype", "kind", "msgtype", "messagetype"},
	remoteColumn:    {"rtr", "remote", "isremote", "isremoteframe", "remoteframe"},
	errorColumn:     {"error", "iserror", "errorframe", "iserrorframe", "err"},
	flexibleColumn:  {"fd", "isfd", "edl", "fdf", "canfd"},
	fastColumn:      {"brs", "bitrateswitch"},
	passiveColumn:   {"esi", "errorstateindicator"},
}

// roleNames says roles in messages.
var roleNames = [roles]string{"time", "identifier", "identifier width", "channel", "length", "data", "direction",
	"kind", "remote mark", "error mark", "flexible data rate mark", "bit rate switch mark", "error state mark"}

// unitExponents maps a unit in a header to its power of ten in ns.
var unitExponents = map[string]int{
	"s": 9, "sec": 9, "secs": 9, "second": 9, "seconds": 9,
	"ms": 6, "msec": 6, "millisecond": 6, "milliseconds": 6, "millis": 6,
	"us": 3, "µs": 3, "μs": 3, "usec": 3, "microsecond": 3, "microseconds": 3, "micros": 3,
	"ns": 0, "nsec": 0, "nanosecond": 0, "nanoseconds": 0, "nanos": 0,
}

// unitNames names the units by exponent.
var unitNames = map[int]string{9: "s", 6: "ms", 3: "us", 0: "ns"}

// headingOf is what one cell of a header says.
type headingOf struct {
	role     role
	known    bool
	byte     int // of a byte column, -1 = none
	exponent int // of the unit, -1 = not stated
	base     int // 10 or 16 when stated
}

// readHeading understands one cell of a header.
func readHeading(cell string) headingOf {
	h := headingOf{byte: -1, exponent: -1}
	words := strings.FieldsFunc(strings.ToLower(cell), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == 'µ' || r == 'μ')
	})
	for len(words) > 1 {
		last := words[len(words)-1]
		if e, ok := unitExponents[last]; ok && h.exponent < 0 {
			h.exponent = e
		} else if last == "hex" && h.base == 0 {
			h.base = 16
		} else if (last == "dec" || last == "decimal") && h.base == 0 {
			h.base = 10
		} else {
			break
		}
		words = words[:len(words)-1]
	}
	name := strings.Join(words, "")
	for r, names := range columnNames {
		for _, n := range names {
			if n == name {
				h.role, h.known = role(r), true
				return h
			}
		}
	}
	for _, prefix := range []string{"databyte", "payload", "byte", "data", "db", "d", "b"} {
		rest, ok := strings.CutPrefix(name, prefix)
		if n, err := strconv.Atoi(rest); ok && err == nil && n >= 0 && n <= 64 && len(rest) <= 2 {
			h.byte = n
			return h
		}
	}
	return h
}

// header tries to read a line as column names. Score is the number of columns
// understood, 0 when the line is no header; missing names a role that a header
// must have and this one lacks.
func header(line []byte, separator byte) (l layout, base int, score int, missing string) {
	var fields [maxColumns][]byte
	n, reason := split(line, separator, &fields)
	if reason != "" || n < 2 {
		return l, 0, 0, ""
	}
	l = layout{separator: separator, exponent: -1}
	for r := range l.columns {
		l.columns[r] = -1
	}
	var at [66]int16
	for i := range at {
		at[i] = -1
	}
	for i := range n {
		h := readHeading(string(fields[i]))
		switch {
		case h.byte >= 0 && at[h.byte] < 0:
			at[h.byte] = int16(i)
			score++
			if h.base == 10 {
				l.decimalByte = true
			}
		case h.known && l.columns[h.role] < 0:
			l.columns[h.role] = int16(i)
			score++
			if h.role == timeColumn {
				l.exponent = h.exponent
			}
			if h.role == idColumn {
				base = h.base
			}
		}
	}
	first := 0
	if at[0] < 0 {
		first = 1
	}
	for i := first; i < first+64 && at[i] >= 0; i++ {
		l.bytes = append(l.bytes, at[i])
	}
	if l.columns[dataColumn] >= 0 {
		l.bytes = nil
	}
	return l, base, score, l.lacks()
}

// lacks names the first role that every layout must have and this one has not,
// and sets how many columns a row needs.
func (l *layout) lacks() string {
	for _, r := range []role{timeColumn, idColumn} {
		if l.columns[r] < 0 {
			return roleNames[r]
		}
		l.need = max(l.need, int(l.columns[r])+1)
	}
	if l.columns[dataColumn] < 0 && l.bytes == nil {
		return roleNames[dataColumn]
	}
	return ""
}
