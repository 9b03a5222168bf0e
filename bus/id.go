package bus

import (
	"fmt"
	"strconv"
)

// ID is the identifier of a frame. It holds the number in its low 29 bits and
// [Extended] for the 29-bit width, so that equal numbers of different width are
// different identifiers. The zero value is the 11-bit identifier 000.
type ID uint32

// Extended marks a 29-bit identifier.
const Extended ID = 1 << 31

// The largest numbers of the two widths.
const (
	MaxBaseNumber     = 1<<11 - 1 // of an 11-bit identifier
	MaxExtendedNumber = 1<<29 - 1 // of a 29-bit identifier
)

const (
	baseDigits     = 3
	extendedDigits = 8
)

// IsExtended reports whether the identifier is 29 bits wide.
func (id ID) IsExtended() bool { return id&Extended != 0 }

// Number returns the identifier's number without its width.
func (id ID) Number() uint32 { return uint32(id &^ Extended) }

// Valid reports whether the number fits the identifier's width.
func (id ID) Valid() bool {
	if id.IsExtended() {
		return id.Number() <= MaxExtendedNumber
	}
	return id.Number() <= MaxBaseNumber
}

// NewID returns the identifier with this number, 29 bits wide if extended is
// true and 11 bits otherwise, or an error if the number does not fit.
func NewID(number uint32, extended bool) (ID, error) {
	switch {
	case extended && number > MaxExtendedNumber:
		return 0, fmt.Errorf("identifier %X is above 1FFFFFFF, the largest of 29 bits", number)
	case extended:
		return Extended | ID(number), nil
	case number > MaxExtendedNumber:
		return 0, fmt.Errorf("identifier %X is above 7FF, the largest of 11 bits", number)
	case number > MaxBaseNumber:
		return 0, fmt.Errorf("identifier %03X is above 7FF, the largest of 11 bits; as a 29-bit identifier it is written with 8 digits: %08X", number, number)
	}
	return ID(number), nil
}

// ParseID reads an identifier in hex: 3 digits are an 11-bit identifier, 8 digits
// a 29-bit one. A leading 0x is allowed, upper and lower case are the same.
// Anything else is an error that says what was found and how to write it.
func ParseID(text string) (ID, error) {
	digits := text
	if len(digits) >= 2 && digits[0] == '0' && digits[1]|0x20 == 'x' {
		digits = digits[2:]
	}
	for i := 0; i < len(digits); i++ {
		if !isHexDigit(digits[i]) {
			return 0, fmt.Errorf("identifier %s holds something other than hex digits; expected 3 digits (11 bit) or 8 digits (29 bit), such as 7E8 or 18FEF100", excerpt(text))
		}
	}
	switch len(digits) {
	case 0:
		return 0, fmt.Errorf("identifier %s has no digits; expected 3 hex digits (11 bit) or 8 (29 bit), such as 7E8 or 18FEF100", excerpt(text))
	case baseDigits, extendedDigits:
	default:
		return 0, wrongDigits(text, digits)
	}
	number, err := strconv.ParseUint(digits, 16, 32)
	if err != nil {
		return 0, fmt.Errorf("identifier %s: %w", excerpt(text), err)
	}
	return NewID(uint32(number), len(digits) == extendedDigits)
}

// wrongDigits explains a number of digits that is neither 3 nor 8.
func wrongDigits(text, digits string) error {
	number, err := strconv.ParseUint(digits, 16, 32)
	switch {
	case err != nil || number > MaxExtendedNumber:
		return fmt.Errorf("identifier %s is %d digits; expected 3 (11 bit, up to 7FF) or 8 (29 bit, up to 1FFFFFFF)", excerpt(text), len(digits))
	case number > MaxBaseNumber:
		return fmt.Errorf("identifier %s is %d digits; write 29-bit identifiers with 8 digits: %08X", excerpt(text), len(digits), number)
	}
	return fmt.Errorf("identifier %s is %d digits; write 11-bit identifiers with 3 digits: %03X, and 29-bit identifiers with 8 digits: %08X", excerpt(text), len(digits), number, number)
}

func isHexDigit(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c|0x20 && c|0x20 <= 'f'
}

// excerpt quotes the start of a text, so that a message stays one short line.
func excerpt(text string) string {
	const most = 24
	if len(text) > most {
		return strconv.Quote(text[:most]) + "..."
	}
	return strconv.Quote(text)
}

// String returns the identifier in hex as [ParseID] reads it: 3 digits for 11
// bits, 8 for 29 bits, upper case, without prefix.
func (id ID) String() string {
	var room [extendedDigits]byte
	return string(id.append(room[:0]))
}

// AppendText appends what [ID.String] returns. It never fails.
func (id ID) AppendText(text []byte) ([]byte, error) { return id.append(text), nil }

// MarshalText returns what [ID.String] returns. It never fails.
func (id ID) MarshalText() ([]byte, error) { return id.append(nil), nil }

func (id ID) append(text []byte) []byte {
	const hex = "0123456789ABCDEF"
	digits := baseDigits
	if id.IsExtended() || !id.Valid() {
		digits = extendedDigits
	}
	for i := digits - 1; i >= 0; i-- {
		text = append(text, hex[id.Number()>>(4*i)&15])
	}
	return text
}

// UnmarshalText reads an identifier like [ParseID].
func (id *ID) UnmarshalText(text []byte) error {
	parsed, err := ParseID(string(text))
	if err != nil {
		return err
	}
	*id = parsed
	return nil
}

// Priority returns the arbitration field as it stands on the wire, first bit
// highest: of two frames that start together the one with the lower value wins
// the bus. A base frame has the 11 bits of its identifier, RTR and a dominant
// IDE; an extended one the leading 11 bits, recessive SRR and IDE, 18 more bits
// and RTR (CAN specification 2.0 part B, 3.2.1). So at equal leading bits base
// beats extended, and data beats remote.
func (id ID) Priority(remote bool) uint32 {
	var rtr uint32
	if remote {
		rtr = 1
	}
	if !id.IsExtended() {
		return id.Number()<<21 | rtr<<20
	}
	leading, rest := id.Number()>>18, id.Number()&(1<<18-1)
	return leading<<21 | 1<<20 | 1<<19 | rest<<1 | rtr
}
