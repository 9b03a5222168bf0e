package bus

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// checksum feeds whole bytes, highest bit first.
func checksum(width int, polynomial, initial uint32, data string) uint32 {
	register := crcRegister{width: width, polynomial: polynomial, value: initial}
	for _, b := range []byte(data) {
		for i := 7; i >= 0; i-- {
			register.shift(b >> i & 1)
		}
	}
	return register.value
}

// The check values of CRC-15/CAN, CRC-17/CAN-FD and CRC-21/CAN-FD are those of
// the public catalogues of parametrised CRC algorithms, which begin with an empty
// register. A frame in FD format begins with the highest bit set (ISO
// 11898-1:2015); those values are recomputed.
func TestCRCCheckStrings(t *testing.T) {
	const digits = "123456789"
	require.Equal(t, uint32(0x059E), checksum(15, polynomial15, 0, digits))
	require.Equal(t, uint32(0x04F03), checksum(17, polynomial17, 0, digits))
	require.Equal(t, uint32(0x0ED841), checksum(21, polynomial21, 0, digits))
	require.Equal(t, uint32(0x09D9B), checksum(17, polynomial17, 1<<16, digits))
	require.Equal(t, uint32(0x1323D8), checksum(21, polynomial21, 1<<20, digits))
}

func TestCRC15TablesEqualTheRegister(t *testing.T) {
	var byBytes uint16
	for _, b := range []byte("123456789") {
		byBytes = crc15Byte(crc15Slices, byBytes, b)
	}
	require.Equal(t, uint16(0x059E), byBytes>>1)

	eight := crc15Eight(crc15Slices, 0, (*[8]byte)([]byte("12345678")))
	require.Equal(t, uint16(0x059E), crc15Byte(crc15Slices, eight, '9')>>1)
}

// The generators as the standard prints them, by their terms.
func TestGeneratorPolynomials(t *testing.T) {
	terms := func(exponents ...int) (sum uint32) {
		for _, e := range exponents {
			sum |= 1 << e
		}
		return sum
	}
	require.Equal(t, terms(15, 14, 10, 8, 7, 4, 3, 0), uint32(1<<15|polynomial15))
	require.Equal(t, terms(17, 16, 14, 13, 11, 6, 4, 3, 1, 0), uint32(1<<17|polynomial17))
	require.Equal(t, terms(21, 20, 13, 11, 7, 4, 3, 0), uint32(1<<21|polynomial21))
}
