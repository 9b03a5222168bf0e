// Package bus holds what every part of the model knows about the wired bus:
// identifiers, frames, sources of frames, and the exact length of a frame on
// the wire.
//
// The frame formats are those of the CAN specification 2.0 part B (1991) and of
// ISO 11898-1:2015 for the flexible data rate format (FD). [Shape] counts stuff
// bits by tables, [Frame.Wire] writes the same frame out bit by bit; the second
// is the reference for the first.
//
// Lengths run from the start of frame (SOF) through the end of frame (EOF). The
// three bits of [Intermission] that follow are no part of them.
package bus
