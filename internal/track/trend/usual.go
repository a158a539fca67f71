package trend

import (
	"math"
	"slices"
)

const (
	// usualMost is how many of the latest values the usual time is taken from. The project's own
	// choice, no source.
	usualMost = 12
	// usualLeast is the lowest number of values for a usual time. The project's own choice, no
	// source.
	usualLeast = 6
	// usualMargin is the smallest distance in minutes from the usual time to its limit. The
	// project's own choice, no source.
	usualMargin = 3.0
	// usualSpreads is that distance in standard deviations. The project's own choice, no
	// source.
	usualSpreads = 2.0
	// NormalMAD times the median absolute deviation is the standard deviation of normally
	// distributed values (Rousseeuw & Croux 1993).
	NormalMAD = 1.4826
)

// Median is the middle value, or the mean of the middle two; 0 of none.
func Median(values []float64) float64 {
	return median(slices.Clone(values))
}

// median sorts values in place.
func median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return 0
	}
	slices.Sort(values)
	if n%2 == 1 {
		return values[n/2]
	}
	lo, hi := values[n/2-1], values[n/2]
	return lo + (hi-lo)/2
}

// MAD is the raw median absolute deviation from the median, in the unit of the values; 0
// of none. NormalMAD scales it to a standard deviation.
func MAD(values []float64) float64 {
	m := Median(values)
	away := make([]float64, len(values))
	for i, v := range values {
		away[i] = math.Abs(v - m)
	}
	return median(away)
}

// Band is what is usual for a patient, in minutes. A time above Limit is longer than usual.
type Band struct {
	N      int // values it is taken from, 6 to 12
	Median float64
	MAD    float64 // raw
	Limit  float64 // Median + max(3, 2*NormalMAD*MAD)
}

// Usual returns the usual haemostasis time by the latest 12 of the previous times in
// minutes, oldest first. It is not ok with fewer than 6.
func Usual(previous []float64) (u Band, ok bool) {
	if len(previous) < usualLeast {
		return Band{}, false
	}
	latest := previous[max(0, len(previous)-usualMost):]
	u = Band{N: len(latest), Median: Median(latest), MAD: MAD(latest)}
	u.Limit = u.Median + max(usualMargin, usualSpreads*NormalMAD*u.MAD)
	return u, true
}
