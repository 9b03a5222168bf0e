package bus

import "time"

// Intermission is the number of bits that keep two frames apart, at the nominal
// bit rate. They are no part of a frame.
const Intermission = 3

// The parts of an error frame in bits (CAN specification 2.0 part B, 3.2.3).
// Other nodes answer an error flag by flags of their own, which overlap it by
// any number of bits; [Intermission] follows.
const (
	ErrorFlag         = 6                                 // flag of one node
	ErrorFlagLongest  = 12                                // superposition of the flags of all nodes at most
	ErrorDelimiter    = 8                                 // after the flags
	ErrorFrame        = ErrorFlag + ErrorDelimiter        // shortest, all nodes see the error at once
	ErrorFrameLongest = ErrorFlagLongest + ErrorDelimiter // longest
	// SuspendTransmission is how long a node that is error passive and sent the
	// last frame waits after the intermission (3.2.5).
	SuspendTransmission = 8
)

// Bits counts the bits of a frame from SOF through EOF, stuff bits included. The
// bit-rate switch falls at a sample point inside the bits BRS and CRC delimiter;
// they are counted as whole bits, BRS at the nominal and the delimiter at the
// data bit rate.
type Bits struct {
	Nominal int // at the nominal bit rate
	Data    int // at the data bit rate; 0 unless the frame has [BitRateFast]
}

// Total returns the bits at both rates.
func (b Bits) Total() int { return b.Nominal + b.Data }

// Reception returns the bits from SOF to the instant at which receivers accept
// the frame, the end of the last but one bit of EOF (CAN specification 2.0, message
// validation).
func (b Bits) Reception() Bits { return Bits{b.Nominal - 1, b.Data} }

// WithIntermission returns the bits after which the next frame may begin.
func (b Bits) WithIntermission() Bits { return Bits{b.Nominal + Intermission, b.Data} }

// Duration returns the time on the wire at these rates, in bit/s. It is exact
// where both rates divide 10^9, and otherwise the sum of the two parts, each
// rounded to the nearest nanosecond. dataBitRate is not looked at where Data is
// 0. It panics for a rate that is needed and not above 0.
func (b Bits) Duration(bitRate, dataBitRate int) time.Duration {
	d := bitTimes(b.Nominal, bitRate)
	if b.Data != 0 {
		d += bitTimes(b.Data, dataBitRate)
	}
	return d
}

func bitTimes(bits, rate int) time.Duration {
	if rate <= 0 {
		panic("bus: Bits.Duration: a bit rate is not above 0")
	}
	n, r := int64(bits), int64(rate)
	const direct = 1 << 32 // below it the product fits with room to round
	if uint64(n) < direct {
		return time.Duration((n*int64(time.Second) + r/2) / r)
	}
	rest := n % r
	return time.Duration(n/r*int64(time.Second) + (rest*int64(time.Second)+r/2)/r)
}

// Bits outside header and data: CRC field with its delimiter, and the end of the
// frame.
const (
	classicCRCField = 15 + 1         // CRC, delimiter
	shortCRCField   = 4 + 17 + 6 + 1 // stuff count, CRC-17, fixed stuff bits, delimiter
	longCRCField    = 4 + 21 + 7 + 1 // stuff count, CRC-21, fixed stuff bits, delimiter
	footer          = 1 + 1 + 7      // ACK slot, ACK delimiter, EOF
	// shortCRCLength is the longest data with CRC-17, bytes.
	shortCRCLength = 16
)

// PlainBits returns the length of a frame without any stuff bit, fixed ones in
// FD format excepted: a lower bound that needs no thought. Errors are as for
// [NewShape].
func PlainBits(extended bool, kind Kind, flags Flags, length int) Bits {
	h, data := bareFrame("PlainBits", extended, kind, flags, length)
	if kind == Error {
		return Bits{Nominal: ErrorFrame}
	}
	if flags&FD == 0 {
		return Bits{Nominal: h.width + 8*data + classicCRCField + footer}
	}
	field := shortCRCField
	if data > shortCRCLength {
		field = longCRCField
	}
	if flags&BitRateFast == 0 {
		return Bits{Nominal: h.width + 8*data + field + footer}
	}
	return Bits{Nominal: h.nominal + footer, Data: h.width - h.nominal + 8*data + field}
}

// MinBits returns the length of the shortest frame of this width, kind, format
// and length: the stuff bits that the fixed bits of the header force upon every
// such frame are in it. For an error frame see [ErrorFrame]. Errors are as for
// [NewShape].
func MinBits(extended bool, kind Kind, flags Flags, length int) Bits {
	b := PlainBits(extended, kind, flags, length)
	if kind == Error {
		return b
	}
	// An identifier of ones and zeros in turn has no stuff bits and, ending in a
	// recessive bit, begins a new run with the fixed bits.
	id := ID(0x555)
	if extended {
		id = Extended | 0x15555555
	}
	h := newHeader(id, kind, flags, length)
	state, slow := stuffWord(afterSOF, h.bits>>(h.width-h.nominal), h.nominal-1)
	state, fast := stuffWord(state, h.bits, h.width-h.nominal)
	last, endsFixed := uint8(h.bits&1), length == 0
	if padded, _ := PaddedLength(length, flags); kind == Data && padded > length {
		// The data end in a single one, and zeros follow.
		state, last, endsFixed = 1, 0, true
		for range padded - length {
			var more int
			state, more = stuffWord(state, 0, 8)
			fast += more
		}
	}
	if flags&FD != 0 && endsFixed && state&1 != last {
		fast-- // the first fixed stuff bit takes its place
	}
	if flags&BitRateFast != 0 {
		return Bits{b.Nominal + slow, b.Data + fast}
	}
	return Bits{Nominal: b.Nominal + slow + fast}
}

// MaxBits returns a bound that no frame of this width, kind, format and length
// exceeds. In classic format it is the bound of response-time analysis (Davis,
// Burns, Bril, Lukkien 2007): g+8s stuffable bits take at most (g+8s-1)/4 stuff
// bits. In FD format none follows the last data bit, which makes it (g+8s-2)/4
// for the bits through the data; as many of them as can be are counted at the
// nominal rate. Errors are as for [NewShape].
func MaxBits(extended bool, kind Kind, flags Flags, length int) Bits {
	h, data := bareFrame("MaxBits", extended, kind, flags, length)
	b := PlainBits(extended, kind, flags, length)
	switch {
	case kind == Error:
		return Bits{Nominal: ErrorFrameLongest}
	case flags&FD == 0:
		const crc = 15
		b.Nominal += (h.width + 8*data + crc - 1) / 4
		return b
	}
	stuffed := (h.width + 8*data - 2) / 4
	if flags&BitRateFast == 0 {
		b.Nominal += stuffed
		return b
	}
	// FDF, res and BRS alternate, so no run of five ends in them.
	const alternating = 3
	slow := (h.nominal - alternating - 1) / 4
	b.Nominal += slow
	b.Data += stuffed - slow
	return b
}

// bareFrame returns the header of a frame with any identifier and the number of
// data bytes on the wire.
func bareFrame(caller string, extended bool, kind Kind, flags Flags, length int) (h header, data int) {
	id := ID(0)
	if extended {
		id = Extended
	}
	if err := CheckFormat(id, kind, flags, length); err != nil {
		panic("bus: " + caller + ": " + err.Error())
	}
	if kind == Error {
		return header{}, 0
	}
	if kind == Data {
		data, _ = PaddedLength(length, flags)
	}
	return newHeader(id, kind, flags, length), data
}
