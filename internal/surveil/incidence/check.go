package incidence

import "fmt"

// MostEvents is the highest count that is accepted. A higher one is a mistake.
const MostEvents = 1_000_000

// mostMean is the highest mean of a count, so that its counts stay below MostEvents.
const mostMean = 900_000

const (
	// leastSize is the smallest exposure, rate or time that is accepted. A smaller one is refused like 0.
	leastSize = 1e-6
	// mostSize is the largest. A larger one is a mistake.
	mostSize = 1e12
)

func checkCount(what string, x int) error {
	if x < 0 || x > MostEvents {
		return fmt.Errorf("%s must be a count from 0 to %d; it is %d", what, MostEvents, x)
	}
	return nil
}

func checkLevel(level float64) error {
	if !(level >= 0.5 && level <= 0.9999) {
		return fmt.Errorf("the confidence level must lie between 0.5 and 0.9999 (0.95 for 95 %%); it is %v", level)
	}
	return nil
}

// checkSize refuses an exposure, a rate or a time that is below leastSize or above mostSize.
func checkSize(what string, v float64) error { return checkRange(what, v, leastSize, mostSize) }

// checkRange refuses NaN and every value outside lo to hi. lo and hi are allowed.
func checkRange(what string, v, lo, hi float64) error {
	if !(v >= lo && v <= hi) {
		return fmt.Errorf("%s must lie between %v and %v; it is %v", what, lo, hi, v)
	}
	return nil
}
