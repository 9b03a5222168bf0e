// Package response bounds how long the messages of a bus can wait for it: the
// worst-case response-time analysis of fixed-priority non-preemptive scheduling
// on CAN.
//
// The equations are those of Davis, Burns, Bril and Lukkien, "Controller Area
// Network (CAN) schedulability analysis: refuted, revisited and revised",
// Real-Time Systems 35:239-272, 2007, written down from memory and checked by
// sets computed by hand. That paper corrects Tindell, Hansson and Wellings, 1994:
// where the bus stays busy for longer than the period of a message, its first
// instance is not always the one that waits longest. All instances in the busy
// period are looked at here.
//
// With C the longest time of a frame with its intermission, T the shortest
// distance of its releases, J the jitter of the release, B the longest frame of
// lower priority, tau one bit, and the sums over all messages of higher priority:
//
//	busy    t = B + E(t) + sum ceil((t+J)/T) C + the same of the message itself
//	wait    w(q) = B + E(w+C) + q C + sum ceil((w+J+tau)/T) C
//	answer  R = max over q of J + w(q) - qT + C
//
// E is the error term: E(t) = (31 tau + longest C) F(t), F being the most errors
// in t (error frame, longest flags and suspended transmission: 31 bits).
//
// The analysis takes it that each node always offers its most urgent frame, that
// no frame is given up, and that nothing else is on the bus.
package response
