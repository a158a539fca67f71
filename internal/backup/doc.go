// Package backup copies an instance's record into two folders and makes an instance of them again.
//
// The log's part has the log's files and what stands beside them, with the audit trail; the keys' part has the key
// store. They are made apart, to be kept apart: whoever has both can read identities, and a key that a backup has is not
// destroyed. View and index are left out: they are built from the log.
//
// A running instance is read without writing into its folder. The log's files are only ever appended to, so a
// copy is the log as it was at some moment, with a write at its end that may be cut off. What was
// acknowledged before the copy began is in it: that is checked in the copy, by number and checksum.
package backup
