// Package trail keeps who asked for what, and about whom: the audit trail. It has a stream of its own beside the
// log, with the log's guarantees (eventlog, chain).
//
// Exactly:
//
//   - A request leaves one entry, before the first byte of its answer leaves: principal, patients, action, route
//     and the names of its parameters (never a value), status, address, time. What tells of no patient and asks
//     for no right over patients leaves none: Rules lists each route.
//   - An answer that names further patients later leaves an entry more before it does. All entries of a request
//     share a name.
//   - A page that its script asks for again and again leaves one entry on opening, and one with each patient who
//     newly appears. After twelve hours, or when the process has started anew, it counts as opened anew.
//   - A feed leaves a sum of its messages every ten seconds and one at its end; a call by itself leaves one entry,
//     written after its answer. The proof of a write is the log itself: an entry there names its source, and a
//     source belongs to one principal.
//   - Who is not let in without a name, or too often, or under a foreign host, is summed by address and route.
//
// When the stream does not answer, or has too little room left: an EHR's reads, searches and exports are refused
// before anything is read for them, and what was read already is not sent. Pages, cards, the pack and CDS Hooks go
// on, because a needle waits for them: their entries are appended to a file on disk, synced, and written into the
// stream when it answers. A disk that does not take them either is an error in the operator's log and a count
// (Lost), and the card is shown all the same.
//
// The index of the trail (index.go) is a file made of the stream, and can be deleted at any time.
//
// What the trail proves while the same process holds it: that nobody changed it afterwards without leaving a trace
// in the chain, as far as a head of it stands elsewhere. It does not prove that a changed program wrote all that it
// answered.
package trail
