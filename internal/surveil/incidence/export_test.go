package incidence

// Lucas is the classical cumulative sum of counts with equal exposure (Lucas 1985), of which run
// lengths are published: S = max(0, S + events − K), with a signal at S ≥ H. It is the walk of a
// Signal that counts in events.
type Lucas struct{ K, H float64 }

// RunLength returns the average number of steps from a sum at start to the signal.
func (c Lucas) RunLength(mean, start float64) (float64, error) {
	return walk{up: 1, down: c.K, h: c.H}.runLength(mean, start)
}

// Signals reports whether the sum s calls for a look.
func (c Lucas) Signals(s float64) bool { return walk{up: 1, down: c.K, h: c.H}.signals(s) }

// AtLeast and AtMost return the exact probabilities of x or more, and of x or fewer, events.
func AtLeast(x int, mean float64) float64 { return atLeast(x, mean) }
func AtMost(x int, mean float64) float64  { return atMost(x, mean) }
