package bus

import "strings"

// Wire is a frame written out bit by bit.
type Wire struct {
	Levels  string // SOF through EOF, 0 dominant and 1 recessive, the ACK slot dominant
	CRC     uint32 // CRC sequence
	Stuffed int    // stuff bits by the rule of five; fixed ones in FD format not counted
	Bits    Bits
}

// Wire writes a data or remote frame out bit by bit, straight from the rules of
// the standard and without tables. It is slow, made to look at and to check
// [Shape] against. It panics where [Frame.Check] has an error, and for error
// frames, whose bits depend on what they interrupt.
func (f *Frame) Wire() Wire {
	if err := f.Check(); err != nil {
		panic("bus: Frame.Wire: " + err.Error())
	}
	if f.Kind == Error {
		panic("bus: Frame.Wire: error frames have no bits of their own")
	}
	bits, nominal := f.bareBits()
	if f.Flags&FD != 0 {
		return flexibleWire(bits, nominal, f.Flags&BitRateFast != 0, f.Flags, int(f.Length))
	}
	return classicWire(bits)
}

// bareBits returns SOF through data without stuffing and how many of the bits
// come before a switch of the bit rate.
func (f *Frame) bareBits() (bits []uint8, nominal int) {
	h := newHeader(f.ID, f.Kind, f.Flags, int(f.Length))
	bits = appendBits(nil, h.bits, h.width)
	if f.Kind == Data {
		for _, b := range f.Payload() {
			bits = appendBits(bits, uint64(b), 8)
		}
		padded, _ := PaddedLength(int(f.Length), f.Flags)
		for range padded - int(f.Length) {
			bits = appendBits(bits, 0, 8)
		}
	}
	return bits, h.nominal
}

func appendBits(bits []uint8, value uint64, width int) []uint8 {
	for i := width - 1; i >= 0; i-- {
		bits = append(bits, uint8(value>>i&1))
	}
	return bits
}

// stuff inserts the stuff bits, one after the last bit included. marks[i] is the
// number of them among the first i bits of the input and right behind them.
func stuff(bits []uint8) (stuffed []uint8, marks []int) {
	marks = append(marks, 0)
	run, last, count := 0, uint8(2), 0
	for _, b := range bits {
		if b != last {
			run, last = 0, b
		}
		run++
		stuffed = append(stuffed, b)
		if run == 5 {
			last ^= 1
			run = 1
			stuffed = append(stuffed, last)
			count++
		}
		marks = append(marks, count)
	}
	return stuffed, marks
}

var footerBits = []uint8{1, 0, 1, 1, 1, 1, 1, 1, 1, 1} // CRC delimiter, ACK slot, ACK delimiter, EOF

func classicWire(bits []uint8) Wire {
	register := crcRegister{width: 15, polynomial: polynomial15}
	for _, b := range bits {
		register.shift(b)
	}
	bits = appendBits(bits, uint64(register.value), register.width)
	stuffed, marks := stuff(bits)
	stuffed = append(stuffed, footerBits...)
	return Wire{
		Levels:  levels(stuffed),
		CRC:     register.value,
		Stuffed: marks[len(bits)],
		Bits:    Bits{Nominal: len(stuffed)},
	}
}

// flexibleWire writes an FD frame. The CRC covers SOF through data with their
// stuff bits and the stuff count, but no fixed stuff bit; its register begins
// with the highest bit set (ISO 11898-1:2015).
func flexibleWire(bits []uint8, nominal int, faster bool, flags Flags, length int) Wire {
	stuffed, marks := stuff(bits)
	count := marks[len(bits)]
	if count > marks[len(bits)-1] {
		// No stuff bit behind the last data bit: a fixed one takes its place.
		count--
		stuffed = stuffed[:len(stuffed)-1]
	}
	register := crcRegister{width: 17, polynomial: polynomial17}
	if padded, _ := PaddedLength(length, flags); padded > shortCRCLength {
		register = crcRegister{width: 21, polynomial: polynomial21}
	}
	register.value = 1 << (register.width - 1)
	field := appendBits(nil, stuffCount(count), 4)
	for _, b := range stuffed {
		register.shift(b)
	}
	for _, b := range field {
		register.shift(b)
	}
	field = appendBits(field, uint64(register.value), register.width)
	for i, b := range field {
		if i%4 == 0 {
			stuffed = append(stuffed, stuffed[len(stuffed)-1]^1)
		}
		stuffed = append(stuffed, b)
	}
	stuffed = append(stuffed, footerBits...)
	w := Wire{Levels: levels(stuffed), CRC: register.value, Stuffed: count}
	w.Bits.Nominal = len(stuffed)
	if faster {
		w.Bits.Nominal = nominal + marks[nominal] + footer
		w.Bits.Data = len(stuffed) - w.Bits.Nominal
	}
	return w
}

// stuffCount returns the stuff count field: the count modulo 8 in Gray code and
// an even parity bit (ISO 11898-1:2015).
func stuffCount(count int) uint64 {
	n := uint64(count % 8)
	gray := n ^ n>>1
	return gray<<1 | (gray^gray>>1^gray>>2)&1
}

func levels(bits []uint8) string {
	var text strings.Builder
	text.Grow(len(bits))
	for _, b := range bits {
		text.WriteByte('0' + b)
	}
	return text.String()
}
