// Package chain makes it visible when entries of the log were changed, removed or put in.
//
// Each process that writes has a chain of its own: an entry names the writer, its ordinal, and the SHA-256
// of the writer's entry before. The first entry of a writer names the last entry of the log instead. An
// entry is linked only after the one before it was stored, so a chain has no gap by itself. If nobody can
// say whether an entry was stored, the writer begins a new chain.
//
// Whoever reads the log in order keeps its head: the hash of the head before and of the entry's bytes. Two
// logs with one head hold the same entries up to there.
//
// What it proves: nobody changed, removed or added an entry before a head that was printed or noted
// elsewhere. What it does not: whoever can write to the disk and knows this program can write a whole new
// log, with new heads. Only a head that stands where that person cannot reach it shows that. A repair that
// found entries lost changes the heads behind them, and says so.
//
// The package is pure: bytes in, sentences out.
package chain
