package scenarios

import (
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus"
)

// kind is the type of a key's value.
type kind uint8

const (
	section   kind = iota // a block of known keys
	names                 // a block of names that the user gives
	items                 // a list
	anyText               // any text
	word                  // one of the key's words
	truth                 // true or false
	whole                 // a whole number
	number                // a decimal number
	duration              // a time with its unit
	share                 // a percentage
	drift                 // parts per million
	bitRate               // bits a second
	rate                  // something a second
	frequency             // a bandwidth
	power                 // a power
	voltage               // of a supply
	ident                 // an identifier in hexadecimal digits
	idents                // an identifier or a range of them
)

// unit is one way to write a quantity.
type unit struct {
	name     string
	num, den int64 // value in the base unit = number * num / den
}

// quantity describes the units of a kind. The base unit is the one that the
// parsed value counts.
type quantity struct {
	what    string // for a message
	example string
	units   []unit
}

var quantities = map[kind]quantity{
	duration:  {"a time", "250ms", []unit{{"ns", 1, 1}, {"us", 1e3, 1}, {"µs", 1e3, 1}, {"ms", 1e6, 1}, {"s", 1e9, 1}, {"min", 60e9, 1}, {"h", 3600e9, 1}}},
	share:     {"a share", "20%", []unit{{"%", 1, 100}}},
	drift:     {"a clock error", "50ppm", []unit{{"ppm", 1, 1}}},
	bitRate:   {"a bit rate", "500kbit/s", []unit{{"bit/s", 1, 1}, {"kbit/s", 1e3, 1}, {"Mbit/s", 1e6, 1}}},
	frequency: {"a bandwidth", "125kHz", []unit{{"Hz", 1, 1}, {"kHz", 1e3, 1}, {"MHz", 1e6, 1}}},
	power:     {"a power", "100mW", []unit{{"mW", 1, 1}, {"W", 1e3, 1}}},
	voltage:   {"a voltage", "12V", []unit{{"mV", 1, 1000}, {"V", 1, 1}}},
	rate:      {"a rate", "200/s", []unit{{"/s", 1, 1}, {"/min", 1, 60}, {"/h", 1, 3600}}},
}

// fault says what is wrong with a value.
type fault struct{ found, expected, hint string }

var decimalText = regexp.MustCompile(`^[+-]?[0-9]{1,19}(?:\.[0-9]{1,18})?(?:[eE][+-]?[0-9]{1,2})?$`)

var numberText = regexp.MustCompile(`^([+-]?[0-9]{1,19}(?:\.[0-9]{1,18})?)\s*(.*)$`)

// parseScalar reads the text of a value. The result is a string, bool, int64,
// float64, time.Duration, bus.ID or identRange according to the kind.
func parseScalar(k kind, words []string, s string) (any, *fault) {
	if k != anyText && slices.Contains(words, s) {
		return s, nil
	}
	switch k {
	case anyText:
		return s, nil
	case word:
		return nil, &fault{quote(s), oneOf(words), didYouMean(s, words)}
	case truth:
		return parseTruth(s)
	case whole:
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return nil, &fault{quote(s), withWords("a whole number", words), didYouMean(s, words)}
		}
		return n, nil
	case number:
		if !decimalText.MatchString(s) {
			return nil, &fault{quote(s), withWords("a decimal number such as 0.5", words), didYouMean(s, words)}
		}
		f, _ := strconv.ParseFloat(s, 64) // the pattern leaves nothing that could fail
		return f, nil
	case ident:
		return parseIdent(s)
	case idents:
		return parseIdentRange(s)
	}
	return parseQuantity(k, words, s)
}

func withWords(what string, words []string) string {
	if len(words) == 0 {
		return what
	}
	return oneOf(append([]string{what}, words...))
}

func parseTruth(s string) (any, *fault) {
	switch s {
	case "true":
		return true, nil
	case "false":
		return false, nil
	}
	hint := ""
	switch strings.ToLower(s) {
	case "yes", "on", "y", "1", "true":
		hint = "did you mean true?"
	case "no", "off", "n", "0", "false":
		hint = "did you mean false?"
	}
	return nil, &fault{quote(s), "true or false", hint}
}

// parseQuantity reads a number with its unit exactly. A bare 0 needs no unit.
func parseQuantity(k kind, words []string, s string) (any, *fault) {
	q, ok := quantities[k]
	if !ok {
		panic("scenarios: a value of a kind that holds no value")
	}
	wanted := withWords(q.what+" such as "+q.example, words)
	parts := numberText.FindStringSubmatch(s)
	if parts == nil {
		return nil, &fault{quote(s), wanted, didYouMean(s, words)}
	}
	value, _ := new(big.Rat).SetString(parts[1])
	if parts[2] == "" && value.Sign() == 0 {
		parts[2] = q.units[0].name
	}
	i := slices.IndexFunc(q.units, func(u unit) bool { return u.name == parts[2] })
	if i < 0 {
		return nil, unknownUnit(q, wanted, s, parts[1], parts[2])
	}
	value.Mul(value, big.NewRat(q.units[i].num, q.units[i].den))
	if k == duration {
		if !value.IsInt() {
			return nil, &fault{quote(s), "a time in whole nanoseconds", ""}
		}
		if !value.Num().IsInt64() {
			return nil, &fault{quote(s), "a time below 292 years", ""}
		}
		return time.Duration(value.Num().Int64()), nil
	}
	f, _ := value.Float64()
	return f, nil
}

func unknownUnit(q quantity, wanted, s, digits, found string) *fault {
	if found == "" {
		return &fault{quote(s) + ", a number without a unit", wanted, ""}
	}
	var known []string
	for _, u := range q.units {
		if u.name != "µs" {
			known = append(known, u.name)
		}
	}
	hint := "the unit is " + oneOf(known)
	if near := nearest(found, known); near != "" {
		hint = "did you mean " + digits + near + "?"
	}
	return &fault{quote(s), wanted, hint}
}

const identExpected = "an identifier of 3 (11-bit) or 8 (29-bit) hexadecimal digits"

// parseIdent reads an identifier; its width is the number of digits.
func parseIdent(s string) (any, *fault) {
	id, err := bus.ParseID(s)
	if err == nil {
		return id, nil
	}
	hint := ""
	digits := strings.TrimPrefix(strings.TrimPrefix(s, "0x"), "0X")
	if n, err := strconv.ParseUint(digits, 16, 32); err == nil {
		switch {
		case len(digits) < 3:
			hint = "did you mean " + bus.ID(n).String() + "?"
		case len(digits) < 8 && n <= 0x1fffffff:
			hint = "for a 29-bit identifier write " + (bus.Extended | bus.ID(n)).String()
		case len(digits) == 3:
			hint = "11-bit identifiers end at 7FF"
		case len(digits) == 8:
			hint = "29-bit identifiers end at 1FFFFFFF"
		}
	}
	return nil, &fault{quote(s), identExpected, hint}
}

// identRange is a run of identifiers of one width, both ends included.
type identRange struct{ from, to bus.ID }

func parseIdentRange(s string) (any, *fault) {
	first, last, isRange := strings.Cut(s, "-")
	if !isRange {
		last = first
	}
	a, wrong := parseIdent(strings.TrimSpace(first))
	if wrong == nil {
		var b any
		if b, wrong = parseIdent(strings.TrimSpace(last)); wrong == nil {
			r := identRange{a.(bus.ID), b.(bus.ID)}
			if r.from.IsExtended() != r.to.IsExtended() || r.from > r.to {
				return nil, &fault{quote(s), "a range that runs upwards within one width, such as 200-21F", ""}
			}
			return r, nil
		}
	}
	wrong.expected += " or a range such as 200-21F"
	return nil, wrong
}

// formatValue writes a parsed value as a scenario would.
func formatValue(k kind, v any) string {
	switch v := v.(type) {
	case string:
		return v
	case bool:
		return strconv.FormatBool(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case time.Duration:
		return formatDuration(v)
	case bus.ID:
		return v.String()
	case identRange:
		if v.from == v.to {
			return v.from.String()
		}
		return v.from.String() + "-" + v.to.String()
	case float64:
		return formatNumber(k, v)
	}
	return ""
}

func formatNumber(k kind, v float64) string {
	short := func(f float64) string {
		exact := strconv.FormatFloat(f, 'f', -1, 64)
		if rounded := strconv.FormatFloat(f, 'f', 9, 64); len(exact) > len(rounded) {
			exact = strings.TrimRight(strings.TrimRight(rounded, "0"), ".")
		}
		return exact
	}
	switch k {
	case share:
		return short(v*100) + "%"
	case drift:
		return short(v) + "ppm"
	case rate:
		for _, u := range []struct {
			per  float64
			name string
		}{{1, "/s"}, {60, "/min"}} {
			if v*u.per >= 1 {
				return short(v*u.per) + u.name
			}
		}
		return short(v*3600) + "/h"
	case power:
		return short(v) + "mW"
	case voltage:
		return short(v) + "V"
	case frequency:
		return short(v/1e3) + "kHz"
	case bitRate:
		switch {
		case v >= 1e6:
			return short(v/1e6) + "Mbit/s"
		case v >= 1e3:
			return short(v/1e3) + "kbit/s"
		}
		return short(v) + "bit/s"
	}
	return short(v)
}

// formatDuration writes a time with the largest unit that leaves at least 1.
func formatDuration(d time.Duration) string {
	if d == 0 {
		return "0s"
	}
	for _, u := range []struct {
		size time.Duration
		name string
	}{{time.Second, "s"}, {time.Millisecond, "ms"}, {time.Microsecond, "us"}, {1, "ns"}} {
		if d.Abs() >= u.size || u.size == 1 {
			sign, n := "", d
			if d < 0 {
				sign, n = "-", -d
			}
			out := strconv.FormatInt(int64(n/u.size), 10)
			if rest := n % u.size; rest != 0 {
				digits := len(strconv.FormatInt(int64(u.size), 10)) - 1
				fraction := strconv.FormatInt(int64(rest), 10)
				out += "." + strings.TrimRight(strings.Repeat("0", digits-len(fraction))+fraction, "0")
			}
			return sign + out + u.name
		}
	}
	panic("scenarios: a time without a unit")
}
