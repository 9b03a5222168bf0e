package capture

import "time"

// maxStamp bounds stamps on both sides so that no difference of two overflows;
// as an epoch it is the year 2096.
const maxStamp = 4_000_000_000_000_000_000

// epochFrom is the stamp from which on stamps are taken as nanoseconds since 1970:
// September 2001. Counters of loggers that run for 31 years are not expected.
const epochFrom = 1_000_000_000_000_000_000

var power10 = [...]uint64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19}

// nanoseconds reads a decimal number in units of 10^exponent ns: 9 for
// seconds. The decimal mark is a point or a comma, an exponent may follow. The
// result is exact but for digits below the nanosecond, which are cut: cut tells
// whether one of them was not 0.
func nanoseconds(b []byte, exponent int) (ns int64, cut bool, reason string) {
	if len(b) <= 19 { // the plain shape, which cannot overflow
		m, i := digits(b, 0, 0)
		decimals := 0
		if i > 0 && i < len(b) && (b[i] == '.' || b[i] == ',') {
			decimals = i + 1
			m, i = digits(b, decimals, m)
			decimals = i - decimals
		}
		if scale := exponent - decimals; i > 0 && i == len(b) && scale >= 0 && m <= maxStamp/power10[scale] {
			return int64(m * power10[scale]), false, ""
		}
	}
	return decimal(b, exponent)
}

// digits reads decimal digits from position i on behind m.
func digits(b []byte, i int, m uint64) (uint64, int) {
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		m = m*10 + uint64(b[i]-'0')
	}
	return m, i
}

// eightDigits turns eight decimal digits, the first one in the lowest byte, into
// their number: pairs first, then all four pairs weighted in two
// multiplications. Ok is false when one is no digit.
func eightDigits(x uint64) (v uint64, ok bool) {
	const each = 0x0101010101010101
	x ^= '0' * each
	ok = (x|(x+(0x7F-9)*each))&(0x80*each) == 0
	x = x*10 + x>>8
	const pairs = 0x000000FF000000FF
	return ((x&pairs)*(100+1000000<<32) + (x>>16&pairs)*(1+10000<<32)) >> 32, ok
}

// decimal is nanoseconds for every shape.
func decimal(b []byte, exponent int) (ns int64, cut bool, reason string) {
	var m uint64
	i, digits, scale, mark := 0, 0, exponent, -1
	negative := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative = b[0] == '-'
		i = 1
	}
loop:
	for ; i < len(b); i++ {
		c := b[i]
		switch {
		case c-'0' <= 9:
			digits++
			if m >= 1e18 { // 19 digits are held: the rest is below or out of range
				if mark < 0 {
					return 0, false, reasonRange
				}
				cut = cut || c != '0'
				continue
			}
			m = m*10 + uint64(c-'0')
			if mark >= 0 {
				scale--
			}
		case (c == '.' || c == ',') && mark < 0:
			mark = i
		case (c == 'e' || c == 'E') && digits > 0:
			e, ok := smallExponent(b[i+1:])
			if !ok {
				return 0, false, reasonTime
			}
			scale += e
			break loop
		default:
			return 0, false, reasonTime
		}
	}
	if digits == 0 {
		return 0, false, reasonTime
	}
	m, below, ok := scaled(m, scale)
	if !ok {
		return 0, false, reasonRange
	}
	if negative {
		return -int64(m), cut || below, ""
	}
	return int64(m), cut || below, ""
}

// scaled returns m times 10^scale without what is below 1, of which below tells
// whether it was 0. Ok is false out of range.
func scaled(m uint64, scale int) (v uint64, below, ok bool) {
	switch {
	case m == 0:
	case scale > 18 || scale >= 0 && m > maxStamp/power10[scale]:
		return 0, false, false
	case scale >= 0:
		m *= power10[scale]
	case scale < -19:
		return 0, true, true
	default:
		p := power10[-scale]
		m, below = m/p, m%p != 0
	}
	return m, below, m <= maxStamp
}

// smallExponent reads a signed exponent of at most two digits.
func smallExponent(b []byte) (int, bool) {
	sign := 1
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		if b[0] == '-' {
			sign = -1
		}
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 3 {
		return 0, false
	}
	e := 0
	for _, c := range b {
		if c-'0' > 9 {
			return 0, false
		}
		e = e*10 + int(c-'0')
	}
	return sign * e, true
}

// clock reads a time of day (12:34:56.789), or a date and a time of day
// (2018-03-26 01:41:52.233563, T between them, Z or +hh:mm behind). A date gives
// nanoseconds since 1970 in UTC; without one the result is the time since
// midnight and day is false.
func clock(b []byte) (ns int64, day, cut bool, reason string) {
	var date int64
	if len(b) > 10 && b[4] == '-' && b[7] == '-' && (b[10] == 'T' || b[10] == ' ' || b[10] == '_') {
		y, ok1 := number(b[:4])
		m, ok2 := number(b[5:7])
		d, ok3 := number(b[8:10])
		// The range keeps the result inside maxStamp.
		if !ok1 || !ok2 || !ok3 || y < 1900 || y > 2095 || m < 1 || m > 12 || d < 1 || d > 31 {
			return 0, false, false, reasonTime
		}
		t := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
		if t.Day() != d {
			return 0, false, false, reasonTime
		}
		date, day = t.Unix(), true
		b = b[11:]
	}
	zone, b, ok := zoneOffset(b, day)
	if !ok || len(b) < 7 {
		return 0, false, false, reasonTime
	}
	if b[1] == ':' { // 9:05:03
		ns, cut, reason = clock1(b[:1], b[1:])
	} else {
		ns, cut, reason = clock1(b[:2], b[2:])
	}
	return ns + (date-zone)*int64(time.Second), day, cut, reason
}

// clock1 reads hours and :mm:ss with decimals.
func clock1(hours, b []byte) (ns int64, cut bool, reason string) {
	if len(b) < 6 || b[0] != ':' || b[3] != ':' {
		return 0, false, reasonTime
	}
	h, ok1 := number(hours)
	m, ok2 := number(b[1:3])
	s, cut, reason := nanoseconds(b[4:], 9)
	if !ok1 || !ok2 || reason != "" || h > 24 || m > 59 || s < 0 || s >= int64(61*time.Second) {
		return 0, false, reasonTime
	}
	return int64(h*3600+m*60)*int64(time.Second) + s, cut, ""
}

// zoneOffset cuts Z or ±hh:mm off the end; the offset is in seconds.
func zoneOffset(b []byte, allowed bool) (int64, []byte, bool) {
	n := len(b)
	if !allowed || n == 0 {
		return 0, b, true
	}
	if b[n-1] == 'Z' || b[n-1] == 'z' {
		return 0, b[:n-1], true
	}
	if n > 6 && (b[n-6] == '+' || b[n-6] == '-') && b[n-3] == ':' {
		h, ok1 := number(b[n-5 : n-3])
		m, ok2 := number(b[n-2:])
		if !ok1 || !ok2 || h > 15 || m > 59 {
			return 0, b, false
		}
		s := int64(h*3600 + m*60)
		if b[n-6] == '-' {
			s = -s
		}
		return s, b[:n-6], true
	}
	return 0, b, true
}

// number reads a whole decimal number of at most nine digits.
func number(b []byte) (int, bool) {
	if len(b) == 0 || len(b) > 9 {
		return 0, false
	}
	v := 0
	for _, c := range b {
		if c-'0' > 9 {
			return 0, false
		}
		v = v*10 + int(c-'0')
	}
	return v, true
}
