package bus

// The generator polynomials without their highest term (CAN specification 2.0
// part B, 3.2.1; ISO 11898-1:2015).
const (
	polynomial15 = 0x4599
	polynomial17 = 0x1685B
	polynomial21 = 0x102899
)

// crcRegister is a cyclic redundancy check of any width up to 31 bits, fed bit
// by bit.
type crcRegister struct {
	width      int
	polynomial uint32
	value      uint32
}

// shift feeds one bit.
func (c *crcRegister) shift(bit uint8) {
	top := c.value>>(c.width-1)&1 ^ uint32(bit)
	c.value = c.value << 1 & (1<<c.width - 1)
	if top != 0 {
		c.value ^= c.polynomial
	}
}

// crc15Slices[k][b] is what the byte b followed by k zero bytes leaves in an
// empty CRC-15 register. Entries and registers stand one bit to the left, in the
// upper 15 of 16 bits, so that whole bytes go in and out without masks.
var crc15Slices = makeCRC15Slices()

func makeCRC15Slices() *[8][256]uint16 {
	t := new([8][256]uint16)
	for b := range 256 {
		register := crcRegister{width: 15, polynomial: polynomial15}
		for i := 7; i >= 0; i-- {
			register.shift(uint8(b >> i & 1))
		}
		t[0][b] = uint16(register.value << 1)
	}
	for k := 1; k < len(t); k++ {
		for b := range 256 {
			t[k][b] = crc15Byte(t, t[k-1][b], 0)
		}
	}
	return t
}

// crc15Byte feeds one byte into a register that stands one bit to the left.
func crc15Byte(t *[8][256]uint16, register uint16, b byte) uint16 {
	return t[0][byte(register>>8)^b] ^ register<<8
}

// crc15Eight feeds eight bytes; the eight loads do not wait for one another.
func crc15Eight(t *[8][256]uint16, register uint16, data *[8]byte) uint16 {
	return t[7][byte(register>>8)^data[0]] ^ t[6][byte(register)^data[1]] ^
		t[5][data[2]] ^ t[4][data[3]] ^ t[3][data[4]] ^
		t[2][data[5]] ^ t[1][data[6]] ^ t[0][data[7]]
}
