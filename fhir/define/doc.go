// Package define makes the definitions that the register publishes of its own FHIR: profiles,
// the code system and its value sets, naming systems, search parameters, operations and
// measures.
//
// They are made from tables in Go, so that codes, systems and canonical URLs are those that
// rendering uses, and kept as JSON in fhir/definitions, which the program embeds. The test
// of this package makes them anew and compares; -update writes them.
//
// The profiles are differentials only: whoever wants a snapshot makes it with the tools of
// the standard. They are true of every resource that is given out, those entered in error
// included. A rule of a profile says what is so of the record, not what good needling is:
// what went against the protocol is recorded as it happened.
package define
