package bridge

// LayoutKind names a record layout.
type LayoutKind uint8

// The layouts.
const (
	LayoutID     LayoutKind = iota // identifier 2 or 4 bytes, length 1, data
	LayoutSlot                     // index into the forward list 1 byte, data
	LayoutPacked                   // index into the forward list 1 byte, the bits of its Fields
	layoutKinds
)

var layoutWords = [layoutKinds]string{"id", "slot", "packed"}

// String returns the layout's name.
func (k LayoutKind) String() string {
	if k >= layoutKinds {
		return "unknown"
	}
	return layoutWords[k]
}

// Layout says how a broadcast is written.
type Layout struct {
	Kind       LayoutKind
	SendTime   bool // flag 1: send time in the header
	RecordAges bool // flag 2: age of each record at the send time
	Tag        int  // flag 4: bytes of an authentication tag at the end, 4 to 8, and a counter of 4 bytes in the header; 0 = neither
	Version    uint8
	Set        uint16 // set identifier
}

// fixedLength reports whether the length of the data comes from the list and not
// from the record.
func (k LayoutKind) fixedLength() bool { return k != LayoutID }
