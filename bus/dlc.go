package bus

// maxClassicLength is the longest payload of a frame in classic format, bytes.
const maxClassicLength = 8

// longCodes are the payload lengths of the data length codes 9 to 15 in the FD
// format (ISO 11898-1:2015, table of data length codes).
var longCodes = [...]int{12, 16, 20, 24, 32, 48, 64}

// LengthCode returns the data length code (DLC) for a payload of so many bytes,
// and whether there is one: in classic format for 0..8, with [FD] also for 12,
// 16, 20, 24, 32, 48 and 64.
func LengthCode(length int, flags Flags) (code int, ok bool) {
	if length < 0 || length > MaxLength {
		return 0, false
	}
	if length <= maxClassicLength {
		return length, true
	}
	if flags&FD != 0 {
		for i, l := range longCodes {
			if l == length {
				return maxClassicLength + 1 + i, true
			}
		}
	}
	return 0, false
}

// CodeLength returns how many bytes a data length code stands for, and whether
// it is one, from 0 to 15. In classic format the codes 9..15 mean 8 bytes.
func CodeLength(code int, flags Flags) (length int, ok bool) {
	switch {
	case code < 0 || code > 15:
		return 0, false
	case code <= maxClassicLength:
		return code, true
	case flags&FD == 0:
		return maxClassicLength, true
	}
	return longCodes[code-maxClassicLength-1], true
}

// PaddedLength returns the shortest payload that a frame can carry and that has
// room for so many bytes, and whether there is one. It differs from length only
// in the FD format above 8 bytes.
func PaddedLength(length int, flags Flags) (padded int, ok bool) {
	if length < 0 || length <= maxClassicLength {
		return length, length >= 0
	}
	if flags&FD != 0 {
		for _, l := range longCodes {
			if length <= l {
				return l, true
			}
		}
	}
	return 0, false
}
