// Package explain finds the worst that happened to a signal on a display in all
// replications of a run, and follows step by step how it came about: which values
// could have ended it, which broadcasts carried them, and what became of each.
//
// A replication is repeated exactly, with a trace: once to find the instants, once
// to gather the lives of the values between them. Both need no more memory than
// the values that are told.
package explain
