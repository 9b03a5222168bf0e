package bus

// Shape is what all frames of one identifier, kind, format and length have in
// common on the wire: the bits of the header with their stuffing, and where
// stuffing and CRC stand when the data begin. A bus keeps one for each of its
// messages. The zero value is not a shape.
type Shape struct {
	plain   Bits   // all bits but the stuff bits of data and CRC
	crc     uint16 // CRC-15 after the header, as in crc15Slices
	state   uint8  // stuffing after the header
	length  uint8  // bytes of data
	padding uint8  // zero bytes behind the data
	layout  shapeLayout
	last    uint8 // last bit of the header
}

type shapeLayout uint8

const (
	layoutNone       shapeLayout = iota
	layoutFixed                  // no data: remote and error frames
	layoutClassic                // CRC stuffed like the data
	layoutFlexible               // FD, everything at the nominal bit rate
	layoutFlexFaster             // FD, data phase at the data bit rate
)

// NewShape returns the shape of the frames with this identifier, kind, format
// and length in bytes (for a remote frame the length asked for). An FD length
// without a data length code of its own is padded with zero bytes. It panics
// where [CheckFormat] has an error.
func NewShape(id ID, kind Kind, flags Flags, length int) Shape {
	if err := CheckFormat(id, kind, flags, length); err != nil {
		panic("bus: NewShape: " + err.Error())
	}
	if kind == Error {
		return Shape{plain: Bits{Nominal: ErrorFrameLongest}, layout: layoutFixed}
	}
	h := newHeader(id, kind, flags, length)
	s := Shape{plain: PlainBits(id.IsExtended(), kind, flags, length), last: uint8(h.bits & 1)}
	switch {
	case kind == Remote:
		s.layout = layoutFixed
	case flags&FD == 0:
		s.layout = layoutClassic
	case flags&BitRateFast == 0:
		s.layout = layoutFlexible
	default:
		s.layout = layoutFlexFaster
	}
	if kind == Data {
		padded, _ := PaddedLength(length, flags)
		s.length, s.padding = uint8(length), uint8(padded-length)
	}
	s.enter(h)
	return s
}

// enter stuffs the header and, where no data follow, the CRC.
func (s *Shape) enter(h header) {
	// The SOF bit is the state to start from.
	state, slow := stuffWord(afterSOF, h.bits>>(h.width-h.nominal), h.nominal-1)
	state, fast := stuffWord(state, h.bits, h.width-h.nominal)
	s.state = state
	s.plain.Nominal += slow
	if s.layout == layoutFlexFaster {
		s.plain.Data += fast
	} else {
		s.plain.Nominal += fast
	}
	// Leading zeros leave an empty register empty, so the header may be fed in
	// whole bytes.
	for i := (h.width + 7) / 8 * 8; i > 0; {
		i -= 8
		s.crc = crc15Byte(crc15Slices, s.crc, byte(h.bits>>i))
	}
	if s.layout == layoutFixed {
		s.plain.Nominal += stuffedCRC(s.state, s.crc)
	}
}

// stuffedCRC returns the stuff bits among the 15 bits of a CRC.
func stuffedCRC(state uint8, register uint16) int {
	high := byteSteps[register>>8][state&stateMask]
	low := sevenSteps[byte(register)>>1][high&stateMask]
	return int(high>>stateShift) + int(low>>stateShift)
}

// Bits returns the exact number of bits of the frame that carries these data
// bytes. Data must have the length of the shape; for remote and error frames it
// is empty. It does not allocate.
func (s *Shape) Bits(data []byte) Bits {
	if len(data) != int(s.length) || s.layout == layoutNone {
		panic("bus: Shape.Bits: the data have not the length of the shape, or the shape was not made by NewShape")
	}
	b := s.plain
	switch s.layout {
	case layoutClassic:
		b.Nominal += s.classic(data)
	case layoutFlexible:
		b.Nominal += s.flexible(data)
	case layoutFlexFaster:
		b.Data += s.flexible(data)
	}
	return b
}

// classic returns the stuff bits in data and CRC of a classic frame.
func (s *Shape) classic(data []byte) int {
	if len(data) == maxClassicLength {
		return s.classicEight((*[maxClassicLength]byte)(data))
	}
	state, register, stuffed := s.state, s.crc, 0
	for _, b := range data {
		state = byteSteps[b][state&stateMask]
		stuffed += int(state >> stateShift)
		register = crc15Byte(crc15Slices, register, b)
	}
	return stuffed + stuffedCRC(state, register)
}

// classicEight is classic for the most frequent length, written out: the CRC of
// all eight bytes is ready before the chain of stuffing states is.
func (s *Shape) classicEight(data *[maxClassicLength]byte) int {
	t := byteSteps
	register := crc15Eight(crc15Slices, s.crc, data)
	a := t[data[0]][s.state&stateMask]
	b := t[data[1]][a&stateMask]
	c := t[data[2]][b&stateMask]
	d := t[data[3]][c&stateMask]
	e := t[data[4]][d&stateMask]
	f := t[data[5]][e&stateMask]
	g := t[data[6]][f&stateMask]
	h := t[data[7]][g&stateMask]
	stuffed := a>>stateShift + b>>stateShift + c>>stateShift + d>>stateShift +
		e>>stateShift + f>>stateShift + g>>stateShift + h>>stateShift
	return int(stuffed) + stuffedCRC(h, register)
}

// flexible returns the dynamic stuff bits in the data of an FD frame. Its CRC
// has fixed stuff bits, the first of which stands where a dynamic one would
// follow the last data bit, and takes its place (ISO 11898-1:2015).
func (s *Shape) flexible(data []byte) int {
	state, stuffed, last := s.state, 0, s.last
	for _, b := range data {
		state = byteSteps[b][state&stateMask]
		stuffed += int(state >> stateShift)
		last = b & 1
	}
	for range s.padding {
		state = byteSteps[0][state&stateMask]
		stuffed += int(state >> stateShift)
		last = 0
	}
	if state&1 != last {
		stuffed--
	}
	return stuffed
}

// Bits returns the exact number of bits of the frame. Frames of one identifier,
// kind, format and length share a [Shape], which is quicker. It panics where
// [Frame.Check] has an error.
func (f *Frame) Bits() Bits {
	s := NewShape(f.ID, f.Kind, f.Flags, int(f.Length))
	return s.Bits(f.Payload())
}
