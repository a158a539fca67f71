// Package view wraps the SQLite file that one replica projects the log into: a copy of
// every event, the FHIR resources with their history and search values, and what the
// operator asks. The file can be thrown away; the log makes it again, byte for byte.
//
// One connection writes, a pool of read-only ones answers. Everything that one event
// changes, and the checkpoint, is committed in one transaction.
package view
