// Package record is the domain's centre: what an event and a fact are, how they are
// named and ordered, how corrections and voids decide what stands, and how merged
// identities resolve.
//
// Everything here is a pure function of facts: no clock, no randomness, no I/O. The
// package imports the message schema, because the schema is the language that the whole
// product shares, and nothing else of this module.
package record
