package bus

// ID is the identifier of a frame. It holds the number in its low 29 bits and
// [Extended] for the 29-bit width, so that equal numbers of different width are
// different identifiers.
type ID uint32

// Extended marks a 29-bit identifier.
const Extended ID = 1 << 31

// IsExtended reports whether the identifier is 29 bits wide.
func (id ID) IsExtended() bool { return id&Extended != 0 }

// Number returns the identifier's number without its width.
func (id ID) Number() uint32 { return uint32(id &^ Extended) }
