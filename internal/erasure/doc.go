// Package erasure finds, in a log, every patient key that belongs to one person, and keeps on record
// which keys were destroyed. It destroys nothing itself.
//
// A person has several keys where identities were merged, or where an identity states more identifiers than
// the one that messages are posted under. A merge says that two keys are one person. An identifier that
// two identities state may be a mistake of a sender, and a key that was destroyed never comes back. So the
// keys that a stated identifier alone connects are listed apart, and a person decides about each.
package erasure
