// Package traffic makes the frames of a bus from a message set: [New] turns
// messages with their release laws and value laws into a [Set], which is a
// [bus.Source] without end.
//
// The bus is that of the CAN specification 2.0 part B (1991). Each node offers
// its most urgent waiting frame; when the bus is free the lowest arbitration
// field wins ([bus.ID.Priority]) and is sent to its end. A node whose most
// urgent frame loses offers it again, so the nodes together always offer the
// most urgent frame of all, and nodes matter for nothing but the drift of their
// clocks. Lengths are exact; a frame is received at the end of the last but one
// bit of EOF, and the next may begin after EOF and three bits of intermission.
//
// At equal instants: what is released at the instant at which the bus becomes
// free takes part in that arbitration; messages released at one instant are
// taken in the order of their arbitration fields. Times of frames are whole
// nanoseconds, rounded once a frame where a bit is not a whole number of them.
//
// The releases and the values of a message are functions of its own random
// streams alone. Other messages, the bus and bit errors change when a frame is
// received but never what it says nor when it was released.
//
// Bit errors strike each bit of a frame, SOF through EOF, independently. The
// error flag begins with the next bit. Flags of all nodes together last 6 to 12
// bits, drawn uniformly, then come 8 bits of delimiter and 3 of intermission
// (part B, 3.2.3), and the frame takes part in arbitration again. Bits of error
// frames and intermissions are not struck, nodes stay error active, and a hit on
// the last bit of EOF destroys the frame like any other.
package traffic
