package mask

import (
	mathbits "math/bits"

	"stalegauge/bus"
)

// view is one way in which filter hardware lays a frame beside its code.
type view uint8

const (
	viewSingle view = iota
	viewFirst       // the first of two filters
	viewSecond
	viewEight
	viewTwoMasks
	view32 // a bank of 32-bit words
	view16 // a bank of 16-bit words
	views
)

// The extended bit of the words that have one.
const (
	extendedTwoMasks = 1 << 19
	extended32       = 1 << 2
	extended16       = 1 << 3
)

// word returns a data or remote frame as it stands beside the code, and the bits
// that take part in the comparison; false if the filter never accepts such a
// frame. Data bytes that the frame does not have are not compared (value from
// memory), and neither are the bits that a layout leaves unused.
func (v view) word(f *bus.Frame) (value, compared uint32, ok bool) {
	id := f.ID.Number()
	remote := uint32(0)
	if f.Kind == bus.Remote {
		remote = 1
	}
	if f.ID.IsExtended() {
		value, compared = v.extended(id, remote)
		return value, compared, v != viewEight
	}
	var data [2]uint32
	var has [2]uint32
	for i := range data {
		if f.Kind == bus.Data && int(f.Length) > i {
			data[i], has[i] = uint32(f.Data[i]), 0xFF
		}
	}
	switch v {
	case viewSingle: // 11 bits, remote, 4 unused, two data bytes
		return id<<21 | remote<<20 | data[0]<<8 | data[1], 0xFFF00000 | has[0]<<8 | has[1], true
	case viewFirst: // 11 bits, remote, upper half of the first data byte; its lower half at the far end
		return id<<21 | remote<<20 | data[0]>>4<<16 | data[0]&15, 0xFFF00000 | has[0]>>4<<16 | has[0]&15, true
	case viewSecond: // 11 bits, remote
		return id<<5 | remote<<4, 0xFFF0, true
	case viewEight: // the upper 8 bits
		return id >> 3, 0xFF, true
	case viewTwoMasks: // 11 bits, width, 2 unused here, two data bytes in the place of the extended bits
		return id<<21 | data[0]<<8 | data[1], 0xFFE00000 | extendedTwoMasks | has[0]<<8 | has[1], true
	case view32: // 11 bits, 18 of extended frames only, width, remote, 0
		return id<<21 | remote<<1, 0xFFE00006, true
	default: // 11 bits, remote, width, 3 of extended frames only
		return id<<5 | remote<<4, 0xFFF8, true
	}
}

// extended is word for 29-bit frames, whose data no filter compares.
func (v view) extended(id, remote uint32) (value, compared uint32) {
	leading, rest := id>>18, id&0x3FFFF
	switch v {
	case viewSingle:
		return id<<3 | remote<<2, 0xFFFFFFFC
	case viewFirst:
		return id >> 13 << 16, 0xFFFF0000
	case viewSecond:
		return id >> 13, 0xFFFF
	case viewTwoMasks:
		return leading<<21 | extendedTwoMasks | rest, 0xFFE00000 | extendedTwoMasks | 0x3FFFF
	case view32:
		return leading<<21 | rest<<3 | extended32 | remote<<1, 0xFFFFFFFE
	case view16:
		return leading<<5 | remote<<4 | extended16 | rest>>15, 0xFFFF
	}
	return 0, 0
}

// look is what is known of a frame before it comes: its data are not.
type look struct {
	value uint32
	known uint32 // bits that are compared and known
	free  uint32 // bits that are compared and may be anything
	never bool   // no filter of this kind accepts it
}

func (v view) look(id bus.ID, remote bool) look {
	f := bus.Frame{ID: id, Length: 8}
	if remote {
		f.Kind = bus.Remote
	}
	value, compared, ok := v.word(&f)
	for i := range f.Data[:8] {
		f.Data[i] = 0xFF
	}
	other, _, _ := v.word(&f)
	free := value ^ other
	return look{value: value, known: compared &^ free, free: free, never: !ok}
}

// idBits returns the bits of a word that hold bits of the identifier, how many
// bits of the identifier have no place in it, and the value of the width bit,
// which is compared with one of the word's; 0, 0 where there is none.
func (v view) idBits(extended bool) (bits uint32, missing int, width, widthValue uint32) {
	switch v {
	case viewTwoMasks:
		width = extendedTwoMasks
	case view32:
		width = extended32
	case view16:
		width = extended16
	}
	all := uint32(bus.MaxBaseNumber)
	a := bus.Frame{ID: 0}
	b := bus.Frame{ID: bus.MaxBaseNumber}
	if extended {
		a.ID, b.ID, all = bus.Extended, bus.Extended|bus.MaxExtendedNumber, bus.MaxExtendedNumber
		widthValue = width
	}
	zero, _, _ := v.word(&a)
	ones, _, _ := v.word(&b)
	bits = zero ^ ones
	return bits, mathbits.OnesCount32(all) - mathbits.OnesCount32(bits), width, widthValue
}
