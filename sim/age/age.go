// Package age measures how old values are. It knows numbers and instants only.
//
// The age of a value at t is t minus the instant at which it was valid (Kaul,
// Yates, Gruteser, "Real-time status: how often should one update?", INFOCOM
// 2012). It is a sawtooth of slope 1 that falls at every fresher delivery.
//
//   - [Track] follows one such sawtooth and keeps everything that is reported
//     of it in fixed memory: the distribution weighted by time, the
//     distributions of latency, peak and update interval, the time over a limit.
//   - [Teeth] is the distribution weighted by time and [Points] the one that
//     counts values. Both are log-linear histograms that are exact at the edges
//     of their buckets and can be added up.
//   - [Passage] integrates the newest valid-time that has passed a stage, from
//     which the mean age splits into what each stage adds.
//   - [Int128] holds sums of squares of nanoseconds: a 64-bit integer overflows
//     with a single tooth of 3.04 s.
//
// All times are counts of nanoseconds, all sums are integers and exact.
package age
