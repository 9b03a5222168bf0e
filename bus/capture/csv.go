package capture

import (
	"bytes"
	"time"

	"stalegauge/bus"
)

// role is what a column of a CSV file holds.
type role uint8

// The roles. Byte columns are kept apart: there are up to 64 of them.
const (
	timeColumn role = iota
	idColumn
	extendedColumn  // width of the identifier: yes = 29 bit
	channelColumn   // name of the bus
	lengthColumn    // bytes, or a length code
	dataColumn      // all bytes in hex
	directionColumn // received, sent, request
	kindColumn      // data, remote, error in words
	remoteColumn    // yes or no
	errorColumn     // yes or no
	flexibleColumn  // yes or no
	fastColumn      // bit rate switch: yes or no
	passiveColumn   // error state indicator: yes or no
	roles
)

// layout says how the rows of a CSV file are read.
type layout struct {
	separator byte
	template  *LineTemplate // cuts the lines instead of a separator
	columns   [roles]int16  // index of a role's column, -1 = none
	bytes     []int16       // index of each byte's column, in order; nil = a data column
	// bytesEnd: the byte columns are as many as the length says, what follows is
	// something else (files without a header).
	bytesEnd    bool
	decimalByte bool // byte columns in decimal
	decimalID   bool
	paddedID    bool // eight digits do not mean 29 bit: all are padded
	exponent    int  // the time unit is 10^exponent ns
	clock       bool // the time is a time of day or a date
	need        int  // columns a row must have
	skip        int64
	notes       []string
}

// maxColumns bounds the columns looked at in a row.
const maxColumns = 160

// csvParser reads rows by a layout.
type csvParser struct {
	layout
	tally  *tally
	fields [maxColumns][]byte
	day    int64 // midnights passed, in ns
	last   int64 // time of day last read
}

// split cuts a row into fields without their quotes and blanks and returns
// their number. A doubled quote inside quotes stays doubled.
func split(b []byte, separator byte, fields *[maxColumns][]byte) (n int, reason string) {
	for n < maxColumns {
		for len(b) > 0 && b[0] == ' ' {
			b = b[1:]
		}
		if len(b) > 0 && b[0] == '"' {
			i := 1
			for ; i < len(b); i++ {
				if b[i] == '"' {
					if i+1 < len(b) && b[i+1] == '"' {
						i++
						continue
					}
					break
				}
			}
			if i >= len(b) {
				return n, reasonQuote
			}
			fields[n] = trim(b[1:i])
			n++
			b = b[i+1:]
			next := bytes.IndexByte(b, separator)
			if next < 0 {
				return n, ""
			}
			b = b[next+1:]
			continue
		}
		i := 0
		for i < len(b) && b[i] != separator {
			i++
		}
		j := i
		for j > 0 && b[j-1] == ' ' {
			j--
		}
		fields[n] = b[:j]
		n++
		if i == len(b) {
			return n, ""
		}
		b = b[i+1:]
	}
	return n, ""
}

// cut puts the columns of a row, or the groups of a template, into fields.
func (l *layout) cut(b []byte, fields *[maxColumns][]byte) (n int, reason string) {
	if l.template != nil {
		return l.template.cut(b, fields)
	}
	return split(b, l.separator, fields)
}

// parse reads one row into e.
func (p *csvParser) parse(b []byte, e *entry) (reason string) {
	n, reason := p.cut(b, &p.fields)
	if reason != "" {
		return reason
	}
	if n < p.need {
		return reasonFewColumns
	}
	for i := n; i < len(p.fields) && p.fields[i] != nil; i++ {
		p.fields[i] = nil // of a longer row before
	}
	if reason = p.time(e); reason != "" {
		return reason
	}
	f := &e.frame
	f.Kind, f.Flags, e.mark, e.rawDLC = bus.Data, 0, 0, false
	if reason = p.marks(e); reason != "" {
		return reason
	}
	if reason = p.identifier(p.field(idColumn), e); reason != "" {
		return reason
	}
	if reason = p.payload(e); reason != "" {
		return reason
	}
	e.channel = p.tally.channel(p.field(channelColumn))
	return ""
}

// field returns the text of a role's column, nil where there is none.
func (p *csvParser) field(r role) []byte {
	if i := p.columns[r]; i >= 0 {
		return p.fields[i]
	}
	return nil
}

// time reads the stamp.
func (p *csvParser) time(e *entry) (reason string) {
	var cut bool
	if !p.clock {
		e.stamp, cut, reason = nanoseconds(p.field(timeColumn), p.exponent)
	} else {
		var dated bool
		e.stamp, dated, cut, reason = clock(p.field(timeColumn))
		if !dated && reason == "" {
			if e.stamp < p.last-int64(12*time.Hour) {
				p.day += int64(24 * time.Hour)
				p.tally.r.Midnights++
			} else if e.stamp > p.last+int64(12*time.Hour) && p.day > 0 {
				// A line of the day before that came late.
				e.stamp += p.day - int64(24*time.Hour)
				return ""
			}
			p.last = e.stamp
			e.stamp += p.day
			if e.stamp > maxStamp {
				return reasonRange
			}
		}
	}
	if cut {
		p.tally.r.CutDigits++
	}
	return reason
}

// identifier reads the number, its width and the flags that some loggers leave
// in its upper three bits.
func (p *csvParser) identifier(b []byte, e *entry) (reason string) {
	hex, extended := !p.decimalID, false
	if len(b) > 2 && b[0] == '0' && (b[1] == 'x' || b[1] == 'X') {
		b, hex = b[2:], true
	}
	if n := len(b); n > 1 {
		switch b[n-1] {
		case 'h', 'H':
			b, hex = b[:n-1], true
		case 'x', 'X':
			b, hex, extended = b[:n-1], true, true
		}
	}
	base, most := uint64(16), uint8(15)
	if !hex {
		base, most = 10, 9
	}
	if len(b) == 0 || len(b) > 10 {
		return reasonID
	}
	var v uint64
	for _, c := range b {
		d := digit[c]
		if d > most {
			return reasonID
		}
		v = v*base + uint64(d)
	}
	if v > 1<<32-1 {
		return reasonID
	}
	f := &e.frame
	extended = extended || hex && len(b) == 8 && !p.paddedID || v&numberMask > maxStandard || v&extendedFlag != 0
	if v&errorFlag != 0 {
		f.Kind = bus.Error
	} else if v&remoteFlag != 0 {
		f.Kind = bus.Remote
	}
	f.ID = bus.ID(v & numberMask)
	if f.Kind == bus.Error {
		return ""
	}
	if w := p.field(extendedColumn); len(w) > 0 {
		wide, ok := width(w)
		switch {
		case !ok:
			return reasonYesNo
		case !wide && f.ID > maxStandard:
			return reasonIDWidth
		}
		extended = wide
	}
	if extended {
		f.ID |= bus.Extended
	}
	return ""
}

// marks reads kind, direction and format.
func (p *csvParser) marks(e *entry) (reason string) {
	f := &e.frame
	if b := p.field(directionColumn); len(b) > 0 {
		e.mark = direction(b)
	}
	if b := p.field(kindColumn); len(b) > 0 {
		kind(b, f)
	}
	for r := remoteColumn; r <= passiveColumn; r++ {
		b := p.field(r)
		if len(b) == 0 {
			continue
		}
		yes, ok := yesNo(b)
		if !ok {
			return reasonYesNo
		}
		if !yes {
			continue
		}
		switch r {
		case remoteColumn:
			f.Kind = bus.Remote
		case errorColumn:
			f.Kind = bus.Error
		case flexibleColumn:
			f.Flags |= bus.FD
		case fastColumn:
			f.Flags |= bus.FD | bus.BitRateFast
		case passiveColumn:
			f.Flags |= bus.FD | bus.ErrorPassive
		}
	}
	return ""
}
