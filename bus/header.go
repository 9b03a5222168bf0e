package bus

import (
	"errors"
	"fmt"
)

// header is the part of a frame from SOF through the data length code, before
// stuffing.
type header struct {
	bits    uint64 // the last bit lowest
	width   int    // how many bits
	nominal int    // how many of them are at the nominal bit rate, through BRS, if the frame switches
}

func (h *header) put(value uint64, width int) {
	h.bits = h.bits<<width | value
	h.width += width
}

// newHeader lays out the header (CAN specification 2.0 part B, 3.2.1; ISO
// 11898-1:2015).
func newHeader(id ID, kind Kind, flags Flags, length int) header {
	var h header
	remote := bit(kind == Remote)
	h.put(0, 1) // SOF
	if id.IsExtended() {
		h.put(uint64(id.Number()>>18), 11)
		h.put(0b11, 2) // SRR, IDE
		h.put(uint64(id.Number()&(1<<18-1)), 18)
		h.put(remote, 1) // RTR; RRS in FD
	} else {
		h.put(uint64(id.Number()), 11)
		h.put(remote, 1) // RTR; RRS in FD
		h.put(0, 1)      // IDE
	}
	switch {
	case flags&FD != 0:
		h.put(0b10, 2) // FDF, res
		h.put(bit(flags&BitRateFast != 0), 1)
		h.nominal = h.width
		h.put(bit(flags&ErrorPassive != 0), 1) // ESI
	case id.IsExtended():
		h.put(0, 2) // FDF, r0
		h.nominal = h.width
	default:
		h.put(0, 1) // FDF
		h.nominal = h.width
	}
	padded, _ := PaddedLength(length, flags)
	code, _ := LengthCode(padded, flags)
	h.put(uint64(code), 4)
	return h
}

func bit(set bool) uint64 {
	if set {
		return 1
	}
	return 0
}

// CheckFormat reports everything that keeps a frame of this identifier, kind,
// format and length in bytes from being one, as one error of several lines.
func CheckFormat(id ID, kind Kind, flags Flags, length int) error {
	var wrong []error
	if kind > Error {
		wrong = append(wrong, fmt.Errorf("kind %d is not data, remote or error", kind))
	}
	if kind == Error {
		return errors.Join(wrong...)
	}
	if _, err := NewID(id.Number(), id.IsExtended()); err != nil {
		wrong = append(wrong, err)
	}
	if flags&FD != 0 && kind == Remote {
		wrong = append(wrong, errors.New("a remote frame in FD format: there are none"))
	}
	if flags&FD == 0 && flags != 0 {
		wrong = append(wrong, errors.New("fast bit rate or error-passive mark in a classic frame: only frames in FD format have them"))
	}
	most := maxClassicLength
	if flags&FD != 0 {
		most = MaxLength
	}
	if length < 0 || length > most {
		wrong = append(wrong, fmt.Errorf("length %d, expected 0 to %d bytes", length, most))
	}
	return errors.Join(wrong...)
}

// Check reports everything that keeps the frame from being one, as [CheckFormat]
// does.
func (f *Frame) Check() error {
	return CheckFormat(f.ID, f.Kind, f.Flags, int(f.Length))
}
