package simulate

import (
	"math"
	"math/rand/v2"
)

// stream names one use of chance. Every patient, day and use draws from a generator of its own.
// So switching one scenario off leaves the other draws as they were.
type stream uint64

const (
	streamUnit stream = iota + 1
	streamIdentity
	streamCourse
	streamSession
	streamPresence
	streamTrouble
	streamInfection
	streamLate
	streamRepeat
	streamCorrection
	streamFinding
	streamForgotten
)

// chance draws from one stream.
type chance struct{ *rand.Rand }

// newChance seeds a PCG generator from the scenario's seed, the use and what it is for.
func newChance(seed uint64, s stream, parts ...uint64) chance {
	h := mix(seed ^ mix(uint64(s)))
	for _, p := range parts {
		h = mix(h ^ mix(p+1))
	}
	return chance{rand.New(rand.NewPCG(h, mix(h)))}
}

// mix is the finaliser of SplitMix64 (constants from memory): neighbouring seeds give
// unrelated streams.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// hit is true with probability p.
func (c chance) hit(p float64) bool { return c.Float64() < p }

// between draws a whole number from lo to hi, both included.
func (c chance) between(lo, hi int) int {
	if hi <= lo {
		return lo
	}
	return lo + c.IntN(hi-lo+1)
}

// around draws from a normal distribution cut off at three standard deviations, rounded
// to one decimal.
func (c chance) around(mean, sd float64) float64 {
	z := math.Max(-3, math.Min(3, c.NormFloat64()))
	return tenth(mean + float64(z*sd))
}

// tenth rounds to one decimal. Products are converted explicitly where they are added to,
// so that no machine fuses the two and rounds otherwise.
func tenth(x float64) float64 { return math.Round(x*10) / 10 }
