//go:build race

package facade_test

func mixedQueries() int { return 600 }

func thorough() bool { return false }
