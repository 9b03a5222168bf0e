// Package bridge holds the device under design: it listens to a bus and
// broadcasts what is on its forward list.
//
// A bridge is passive. It owns no clock, goroutine or dice: it is told the time,
// and the same code serves a simulation and a live sender. [Bridge.Offer] takes
// the frames of the bus, [Bridge.Due] tells when the bridge wants to work,
// [Bridge.Take] lets it work and hands over a broadcast, [Bridge.Sent] tells it
// what the medium made of that.
//
// # Stages
//
// A frame waits in the controller's receive buffer until the interrupt, Latency
// after its reception, or the polling tick moves it into the bus queue: that is
// its pick-up. The processor, a single server, takes the frames out of the bus
// queue in order and works on each for Cost; the frame in work takes no place in
// the queue. At the end of that work the forward list decides, and the policy is
// offered the value. A stall stops pick-up and work alike; work under way goes on
// after it, and polling ticks inside it come as one at its end. The policies each
// and fill make broadcasts and push them into the send queue; table, change and
// slack make one when one may leave.
//
// # Policies, classes, turns
//
// Each entry of the forward list goes by one policy of the mix and belongs to one
// priority class. What one policy has of one class is a stream with its own
// broadcasts, so that classes need not wait for each other. What the medium gets
// next is of the lowest class that has something: a due copy, else what the send
// queue or one of the policies that choose their content at hand-over has, in
// turns if several do. The send queue is in order of class, and when it is full the
// highest class loses. Rate limit, pace, copies and send timeout are common to all.
//
// # Equal instants
//
// The stage nearer the bus acts first: a value received at t is in the broadcast
// taken at t, and a frame received at the instant of a tick is picked up by that
// tick. A place that becomes free at t can be taken at t, in every buffer: a
// frame that is picked up at t makes room for the one received at t, and a
// broadcast that may leave at t takes no place in the send queue. Values that
// reach the policy at the instant of a timer come before the timer, so they are
// in the broadcast that it closes. A confirmation told at the very instant of
// the timeout is in time if it is told before Take. A due copy goes before a new
// broadcast.
package bridge
