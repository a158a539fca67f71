//go:build race

package track_test

// With the race detector everything takes some ten times as long: there it is asked whether
// anything races, not how many histories agree.
const (
	historiesWanted      = 600
	firedWanted          = 1
	chartHistories       = 6
	notRecordedHistories = 4
)
