//go:build race

package view_test

// scopeSeeds is how many random registers are pulled from; a stream's memory is measured
// without the race detector, which has a memory of its own.
const scopeSeeds = uint64(1)
