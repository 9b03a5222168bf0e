// Package live puts a bridge on a wall clock: the broadcasts that a simulation
// would send leave through sockets at the instants at which it would send them,
// and a listener keeps ages of what arrives as simulated displays do.
//
// # Sender
//
// The bus, the bridge and the medium are those of package sim, on the ideal radio
// profile: a broadcast takes the air time that it takes on the scenario's radio,
// begins at once and never collides. A [Sender] works them out ahead of the clock
// and waits before each datagram only, so that bytes, order, instants and ledgers
// are those of the simulation however late the host may be; how late it was is
// measured apart. A datagram leaves when its last symbol would leave the air: that
// is when a receiver has it.
//
// # Listener
//
// A [Listener] checks every datagram, follows the sequence numbers, and lets the
// displays of a scenario handle, queue and draw what arrives. It knows ages only
// where the layout carries the send time and the age of each record. The sender's
// clock is the listener's own where both run on one host; otherwise the lower
// envelope of arrival minus send time stands in for it, and every age lacks the
// shortest delay of the way: it is at least what is told.
//
// # Equal instants
//
// As in package sim: what lies nearer to the bus goes first, then the lower index.
package live
