//go:build race

package facade_test

func mixedQueries() int { return 150 }

func thorough() bool { return false }
