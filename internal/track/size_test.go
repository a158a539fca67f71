package track_test

import "cannulary/internal/testkit/tier"

// sizes are how much is generated.
type sizes struct {
	histories   int // the fold is held against the oracle on them
	fired       int // so often at least each rule fires in them
	followers   int // a follower takes their facts in one by one
	notRecorded int // each recorded value is taken away from them
}

func size() sizes {
	return tier.Of(sizes{600, 1, 6, 6}, sizes{2500, 100, 80, 60})
}
