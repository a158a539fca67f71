// Package view wraps the SQLite file that one replica projects the log into: a copy of
// every event, the FHIR resources with their history and search values, and what the
// operator asks. The file can be thrown away; the log makes it again, byte for byte.
//
// The bodies of the versions that one event gave lie together in a compressed page, which
// never changes (page.go). Thousands of resources share a set of search tokens: each set is
// stored once, as a shape (put.go).
//
// One connection writes, a pool of read-only ones answers. Everything that one event
// changes, and the checkpoint, is committed in one transaction.
package view
