package mask

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/agnivade/levenshtein"
)

// family is a kind of filter hardware.
type family uint8

const (
	oneCode  family = iota // one 32-bit code and mask, as one filter or two
	single                 // as one
	dual                   // as two
	eightBit               // one 8-bit code and mask
	twoMasks               // two masks over 2 + 4 codes
	banks                  // banks of masks or lists
	elements               // a list of elements for each width
)

// Shape is the filter hardware of a controller. The zero value is one-code;
// others come from [ParseShape]. Shapes can be compared with ==.
type Shape struct {
	family family
	first  int // banks; elements of the base list
	second int // elements of the extended list
}

// Info describes a shape, or a row of them, for a list.
type Info struct {
	Name     string // as [ParseShape] reads it; N and M stand for numbers
	About    string
	Polarity string // what a mask bit means
	Words    string // registers, in the order of [Program.Words]
}

// The largest numbers of a shape.
const (
	maxBanks    = 28  // two controllers that share them
	maxBase     = 128 // elements of the base list
	maxExtended = 64  // elements of the extended list
)

const (
	onesIgnore  = "mask bit 1 = ignore, 0 = compare"
	onesCompare = "mask bit 1 = compare, 0 = ignore"
)

// infos is in the order of family.
var infos = []Info{
	oneCode: {"one-code", "one 32-bit code and mask, as one filter or as two, whichever is better", onesIgnore, "code, mask"},
	single: {"one-code-single", "one 32-bit code and mask as one filter: whole identifier, remote bit, two data bytes of base frames", onesIgnore,
		"code, mask"},
	dual: {"one-code-dual", "one 32-bit code and mask as two filters: whole base identifiers, 16 bits of extended ones", onesIgnore,
		"code, mask"},
	eightBit: {"one-code-8", "one 8-bit code and mask over the upper 8 bits of base identifiers; 11 bit only", onesIgnore, "code, mask"},
	twoMasks: {"two-masks", "two masks, the first over 2 codes and the second over 4; remote frames are not told apart", onesCompare,
		"mask 0, codes 0-1, mask 1, codes 2-5"},
	banks: {"banks-N", "N banks (1-28), each one 32-bit mask, two 32-bit identifiers, two 16-bit masks or four 16-bit identifiers", onesCompare,
		"active, scale, mode (a bit for each bank), then two words for each bank"},
	elements: {"elements-N-M", "lists of N (0-128) base and M (0-64) extended elements: range, pair or mask, accepting or rejecting", onesCompare,
		"global rules, extended mask, list sizes, base elements, extended elements of two words"},
}

// Shapes lists the shapes that there are. The slice is the caller's.
func Shapes() []Info { return append([]Info(nil), infos...) }

var numbered = regexp.MustCompile(`^(banks|elements)-([0-9]{1,4})(?:-([0-9]{1,4}))?$`)

// ParseShape reads the name of a shape, such as two-masks, banks-14 or
// elements-28-8.
func ParseShape(text string) (Shape, error) {
	for f, info := range infos {
		if info.Name == text && family(f) < banks {
			return Shape{family: family(f)}, nil
		}
	}
	if parts := numbered.FindStringSubmatch(text); parts != nil {
		first, _ := strconv.Atoi(parts[2]) // the pattern leaves nothing that could fail
		second, _ := strconv.Atoi(parts[3])
		switch {
		case parts[1] == "banks" && parts[3] == "":
			if first < 1 || first > maxBanks {
				return Shape{}, fmt.Errorf("shape %s has %d banks, expected 1 to %d", text, first, maxBanks)
			}
			return Shape{banks, first, 0}, nil
		case parts[1] == "elements" && parts[3] != "":
			if first > maxBase || second > maxExtended || first+second == 0 {
				return Shape{}, fmt.Errorf("shape %s: expected up to %d base and %d extended elements, and at least one", text, maxBase, maxExtended)
			}
			return Shape{elements, first, second}, nil
		}
	}
	return Shape{}, fmt.Errorf("unknown shape %q, expected %s%s", shorten(text), strings.Join(names(), ", "), meant(text))
}

func names() []string {
	var out []string
	for _, info := range infos {
		out = append(out, info.Name)
	}
	return out
}

// meant returns a hint at the shape that is nearest to a text.
func meant(text string) string {
	best, distance := "", 4
	for _, name := range append(names(), "banks-14", "elements-128-64") {
		if d := levenshtein.ComputeDistance(shorten(text), name); d < distance {
			best, distance = name, d
		}
	}
	if best == "" {
		return ""
	}
	return ": did you mean " + best + "?"
}

// String returns the name as [ParseShape] reads it.
func (s Shape) String() string {
	switch s.family {
	case banks:
		return fmt.Sprintf("banks-%d", s.first)
	case elements:
		return fmt.Sprintf("elements-%d-%d", s.first, s.second)
	}
	return infos[s.family].Name
}

// Info describes the shape.
func (s Shape) Info() Info {
	info := infos[s.family]
	info.Name = s.String()
	return info
}

// Polarity says what a bit of a mask means.
func (s Shape) Polarity() string { return infos[s.family].Polarity }

// Holds says how many identifiers the shape can let pass without any other.
func (s Shape) Holds() string {
	switch s.family {
	case single:
		return "1 identifier"
	case oneCode, dual:
		return "2 identifiers of 11 bits or 1 of 29"
	case eightBit:
		return "no single identifier"
	case twoMasks:
		return "6 identifiers"
	case banks:
		return fmt.Sprintf("%d identifiers of 11 bits or %d of 29", 4*s.first, 2*s.first)
	}
	return fmt.Sprintf("%d identifiers of 11 bits and %d of 29", 2*s.first, 2*s.second)
}

// shorten cuts a text for a message.
func shorten(text string) string {
	const most = 40
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most])
	}
	return text
}
