//go:build !race

package facade_test

// mixedQueries is how many queries of several parameters are asked.
func mixedQueries() int { return 2000 }

// thorough asks for all types; the race detector makes that too slow.
func thorough() bool { return true }
