// Package whatif judges the recorded facts by another needling protocol and lists what
// would have been judged differently: sessions that count or no longer do, tracks that are
// ready on another day, findings and holds gained and lost. It is pure and changes nothing.
//
// Only the judgement is run again. The facts stay as they happened, although people who
// worked by the other protocol would have acted otherwise: a blunt needle that was right
// at the time is an early one under a protocol that asks for more sessions.
package whatif
