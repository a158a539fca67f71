//go:build !race

package track_test

// How much the generated histories are.
const (
	// historiesWanted is how many histories the fold is held against the reference on.
	historiesWanted      = 2500
	firedWanted          = 100
	chartHistories       = 80
	notRecordedHistories = 60
)
