package signal

// AnyPage marks a signal that is present on every page of its message.
const AnyPage = -1

// Definition says where a signal lies in its message and what its bits mean:
// value = raw*Scale + Offset.
type Definition struct {
	Name      string
	Unit      string
	Start     int // start bit: bit 8n+b is bit b (0 = least) of byte n; least significant bit of a little-endian signal, most significant of a big-endian one
	Bits      int // 1..64
	BigEndian bool
	Signed    bool
	Float     bool // IEEE 754, Bits 32 or 64
	Scale     float64
	Offset    float64
	Page      int // value of the message's selector on whose page the signal lies, or AnyPage
}

// Selector is the field of a paged message that says which page it carries.
type Selector struct {
	Start     int // as in Definition
	Bits      int // 1..16
	BigEndian bool
}
