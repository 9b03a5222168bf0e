// Package scenarios reads scenarios: one YAML text that says what runs on the
// bus, how the bridge works, what else is on the air and what the displays show.
//
// A text becomes a [Plan] in four steps. The text is parsed into nodes that keep
// their positions and the letters as written, so that the identifiers 120 and
// 1E2 are not taken for numbers. The scenario that it extends is read likewise
// and lies below it, changes of the command line lie above it: blocks of keys
// are merged key by key, everything else is replaced. The tree is then checked
// against the table of keys, the only place where a default is declared,
// together with where it comes from. Last, the builder turns the values into the
// parts that run; it is the only code that knows all parts.
//
// Traffic is a message set or a capture. A capture is read once while the plan is
// made, for periods, lengths and what is odd about it; its frames stay in the
// file, and each replication reads them again from an offset of its own. Close a
// plan after use: standard input is kept in a temporary file.
//
// No step stops at the first mistake. All of them are returned as [Mistakes],
// each with its file, line and column, what was found and what is expected.
//
// Two ways to say one thing, or a key that another key makes pointless, are a
// contradiction when the same text says both; otherwise the upper text wins and
// the lower one's key is dropped, so that bridge.policy.kind=each needs no
// further change to a scenario that holds its frames for 50 ms.
package scenarios
