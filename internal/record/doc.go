// Package record is the centre of the domain. It says what an event and a fact are and how they
// are named and ordered. It decides which facts stand after corrections and voids, and which
// identities are merged.
//
// Everything here is a pure function of facts: no clock, no randomness, no I/O. The package
// imports the message schema, because the whole product shares that language, and nothing else
// of this module.
package record
