// Package eventlog wraps NATS JetStream: the one durable log of a shard, on a server embedded in
// the process or on an external cluster.
//
// It promises: Append returns only after the event is on disk (one node syncs every write; a
// cluster has it on a quorum). Entries are never changed or deleted. Read gives every entry
// once, in order and without a gap, or stops with an error. It does not promise: one node does
// not survive the loss of its disk. Its server does not notice a block that changed on disk;
// Check reads every entry.
package eventlog
