// Package salvage looks at what a stopped instance has on disk, says what is damaged, and mends it
// into a new folder. Whoever only looks changes nothing: the log's own server is never started on
// files that this package did not find whole, because it cuts off what it cannot read.
//
// An entry has up to three traces beside the log: the view's copy of its bytes, the mark of the newest
// acknowledged entry (eventlog.Head), and the ingest index, which knows its number and id. A repair
// puts bytes only where a log or a view has them. It invents nothing.
package salvage
