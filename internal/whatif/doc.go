// Package whatif judges the recorded facts by another needling protocol and lists what differs:
// sessions that count or no longer count, tracks that are ready on another day, findings and
// holds gained and lost. It is a pure function and changes nothing.
//
// Only the judgement runs again. The facts stay as they happened, although people who worked by
// the other protocol would have acted differently. A blunt needle that was right at the time is
// too early under a protocol that asks for more sessions.
package whatif
