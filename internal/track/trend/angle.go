package trend

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// noDirection is the resultant length below which angles have no mean direction: what is
// left is rounding.
const noDirection = 1e-12

// CircularSummary sums up angles. The zero value stands for none.
type CircularSummary struct {
	N         int
	Mean      float64 // direction of the resultant, degrees, 0 to below 360
	Resultant float64 // mean resultant length, 0 (no direction) to 1 (all the same)
	Deviation float64 // circular standard deviation sqrt(-2 ln Resultant), degrees
}

// Circular sums up angles in degrees, of any size and sign. Angles that cancel out have
// Resultant 0, Mean NaN and Deviation +Inf; those within less than half a circle never do.
func Circular(degrees []float64) CircularSummary {
	n := len(degrees)
	if n == 0 {
		return CircularSummary{}
	}
	radians := make([]float64, n)
	for i, d := range degrees {
		radians[i] = math.Mod(d, 360) * math.Pi / 180
	}
	mean := stat.CircularMean(radians, nil)
	// 1-R as a mean of squares, since R itself loses a narrow spread in rounding.
	var lost float64
	for _, r := range radians {
		h := math.Sin((r - mean) / 2)
		lost += 2 * h * h
	}
	lost /= float64(n)
	if 1-lost < noDirection {
		return CircularSummary{N: n, Mean: math.NaN(), Deviation: math.Inf(1)}
	}
	m := mean * 180 / math.Pi
	if m < 0 {
		m += 360
	}
	if m >= 360 {
		m = 0
	}
	return CircularSummary{
		N:         n,
		Mean:      m,
		Resultant: 1 - lost,
		Deviation: math.Sqrt(-2*math.Log1p(-lost)) * 180 / math.Pi,
	}
}
