// Package sim runs a plan in virtual time: it drives the bus, the bridge, the
// medium and the receivers, and measures the age of every shown value, in memory
// and at the glass.
//
// The chain is fed forward. A frame waits for the frame before it, a broadcast
// for the broadcast before it, a redraw for the job before it; nothing flows
// back but the instant at which the medium is free again. So the driver pulls bus
// frames and compares their instants with what the bridges and the medium wait
// for; receivers are worked out in bulk.
//
// At equal instants the stage nearer to the bus goes first, then the lower index.
package sim
