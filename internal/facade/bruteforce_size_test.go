package facade_test

import "cannulary/internal/testkit/tier"

// mixedQueries is how many queries of several parameters are asked.
func mixedQueries() int { return tier.Of(150, 2000) }

// thorough asks for all types.
func thorough() bool { return tier.Full() }
