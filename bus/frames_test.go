package bus

import (
	"encoding/hex"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// long reports whether the costly checks run in full.
func long() bool { return os.Getenv("STALEGAUGE_LONG") == "1" }

// frame makes a data frame of an identifier and data in hex.
func frame(t testing.TB, id, data string, flags Flags) *Frame {
	t.Helper()
	parsed, err := ParseID(id)
	require.NoError(t, err)
	payload, err := hex.DecodeString(data)
	require.NoError(t, err)
	f := &Frame{ID: parsed, Flags: flags, Length: uint8(len(payload))}
	copy(f.Data[:], payload)
	return f
}

// remoteFrame makes a remote frame that asks for so many bytes.
func remoteFrame(t testing.TB, id string, length uint8) *Frame {
	t.Helper()
	f := frame(t, id, "", 0)
	f.Kind, f.Length = Remote, length
	return f
}

// randomFrame draws any valid data or remote frame. Half of the bytes are all
// zeros or ones, which stuff most.
func randomFrame(random *rand.Rand) *Frame {
	f := &Frame{ID: ID(random.Uint32() & MaxBaseNumber)}
	if random.IntN(2) == 0 {
		f.ID = Extended | ID(random.Uint32()&MaxExtendedNumber)
	}
	switch random.IntN(4) {
	case 0:
		f.Kind = Remote
	case 1:
		f.Flags = FD | Flags(random.IntN(2))*BitRateFast | Flags(random.IntN(2))*ErrorPassive
	}
	f.Length = uint8(random.IntN(9))
	if f.Flags&FD != 0 {
		f.Length = uint8(random.IntN(MaxLength + 1))
	}
	for i := range f.Payload() {
		switch random.IntN(4) {
		case 0:
			f.Data[i] = 0
		case 1:
			f.Data[i] = 0xFF
		default:
			f.Data[i] = byte(random.Uint32())
		}
	}
	return f
}
