package bus

import "time"

// Kind tells data, remote and error frames apart.
type Kind uint8

// The kinds of frame.
const (
	Data   Kind = iota // carries Length bytes
	Remote             // asks for Length bytes and carries none
	Error              // an error on the bus, not a message
)

// Flags are the format marks of a frame.
type Flags uint8

// The format marks. Classic frames have none.
const (
	FD           Flags = 1 << iota // flexible data rate format
	BitRateFast                    // data phase at the fast bit rate (BRS)
	ErrorPassive                   // sent by an error-passive node (ESI)
)

// MaxLength is the longest payload of a frame, in bytes (FD format).
const MaxLength = 64

// Frame is one frame as a tap on the bus receives it.
type Frame struct {
	At       time.Duration // reception: the end of the last but one EOF bit
	Released time.Duration // valid-time of its values: release at the sender, or At where that is unknown
	ID       ID
	Kind     Kind
	Flags    Flags
	Length   uint8 // bytes of data, or asked for by a remote frame: 0..8, 0..64 with FD
	AfterGap bool  // the traffic before this frame is not connected to it: values held are void
	Message  int32 // index of the message in its message set, -1 where there is none
	Data     [MaxLength]byte
}

// Payload returns the data bytes; nil for remote and error frames.
// The slice is part of the frame.
func (f *Frame) Payload() []byte {
	if f.Kind != Data {
		return nil
	}
	return f.Data[:f.Length]
}

// Source hands out the frames of one bus in order of reception.
type Source interface {
	// Next writes the next frame into f, its Data beyond Length being
	// undefined, and reports whether there was one.
	Next(f *Frame) bool
}
