// Package extract picks out of the log what readers of some facilities may read. It feeds a view of its own, which
// then holds nothing else: whatever is asked of that view, by any search, count, cursor or page, cannot show more.
//
// # What an extract of some facilities holds
//
// The extract follows the log entry by entry. What it takes depends on the entries up to there alone, so it is the
// same whenever and wherever it is made.
//
//   - All entries of its own facilities: of patients, staff and the facility itself.
//   - While a stay of a patient is open at one of them (package stay), the patient's whole record, wherever it was made
//     and whenever it was logged, under all merged identities. A treatment there of somebody else's patient is a guest
//     session: it opens the record until the end of that local day.
//   - After that, what was logged until then, the entry that ended it included, and every correction and void of it. The
//     reversal of a merge counts as its correction.
//   - Merges and reversals that name a patient whose record is open, whichever of the two they were posted for.
//   - Of the other facilities that such records name: name and time zone, the protocols, and the ratings of those who
//     put needles into these patients. The judgement rests on them. Nothing else of their rosters, no census and no figure.
//   - Of a patient who was merged by mistake: what was logged until the merge was reversed. A reader that had it under the
//     wrong name must learn whose it is.
//
// # How it is kept
//
// What becomes readable later than it was logged comes at the end of the extract: an extract has its own numbers, and a
// resource is new in its view then (meta.lastUpdated), however old the entry is. So a client that pulls what is new
// gets the whole record of a patient who comes. Where a record opens or ends an entry of the extract's own says so
// (logv1.RecordScope), and the Patient has a new version.
//
// An entry of which only some facts may be read has the others withheld: their places stay, so that ids stay. More of
// its facts can come later.
//
// How far the log was followed is kept in a file of its own (kept.go), so that a start need not see the whole log
// again. The file is believed only whole, and can be deleted.
//
// The package reads the view of the whole log, and no clock.
package extract
