// Package survey takes stock of a bus: what is sent how often, what it costs and
// what it carries. A [Surveyor] is fed frame by frame and keeps counts only, so
// that its memory depends on how many identifiers, pages and signals there are
// and not on how long the bus was listened to.
//
// Intervals and loads are kept in histograms with [Resolution]; means, extremes
// and counts are exact. Lengths on the wire are exact too: stuff bits are counted
// from the bits of each frame.
//
// What is said of counters, checksums and groups is told from the traffic and may
// be wrong: hence "like".
package survey
