// Package eventlog wraps NATS JetStream: the one durable log of a shard, on a server
// embedded in the process or on an external cluster.
//
// What it promises: Append answers only after the event is on disk (one node syncs every
// write; a cluster has it on a quorum); entries are never changed or deleted; Read gives
// every entry once, in order, without a gap, or stops with an error. What it does not:
// one node does not survive the loss of its disk. Its server does not notice a block that
// changed on it; Check asks for every entry.
package eventlog
