// Package size finds the cheapest design of a bridge that keeps every limit of a
// scenario, and says why nothing cheaper does, or why nothing does at all.
//
// A design is a policy with its timers, a layout, repeats, an order of the forward
// list and a radio. Bounds that hold for every bridge, or follow from the settings
// alone, remove designs without simulating them. What is left is put in the order
// of its cost, which one short replication tells closely enough, and tried from the
// cheapest on: a design goes as soon as one limit is shown to be missed, and is
// taken when all are shown to be met, each at confidence 1 - 0.05/(limits x looks).
// Where designs are compared by means, paired differences on common random numbers
// eliminate them (Kim and Nelson, "A fully sequential procedure for
// indifference-zone selection in simulation", ACM TOMACS 11(3), 2001). What is
// found is simulated once more on fresh seeds before it is told.
//
// All work is counted in frames of the bus, and stops between two steps only, so
// that the same work gives the same answer on any number of cores.
package size
