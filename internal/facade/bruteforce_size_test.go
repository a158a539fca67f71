package facade_test

import "cannulary/internal/testkit/tier"

// mixedQueries is how many queries of several parameters are asked.
func mixedQueries() int { return tier.Of(300, 2000) }

// emptyTries is how often a form that has found something is asked again to find nothing.
func emptyTries() int { return tier.Of(0, 3) }
