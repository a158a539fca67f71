package infectioncontrol

import (
	"math"

	"cannulary/internal/surveil/incidence"
)

// six rounds to six decimals. Further decimals mean nothing and could differ between processors.
func six(v float64) float64 { return math.Round(v*1e6) / 1e6 }

func interval(l incidence.Limits) Interval {
	out := Interval{Lower: six(l.Lower)}
	if !math.IsInf(l.Upper, 1) {
		out.Upper = new(six(l.Upper))
	}
	return out
}

func estimate(r *incidence.Rate) *Estimate {
	if r == nil {
		return nil
	}
	return &Estimate{Value: six(r.Value), Exact: interval(r.Exact), MidP: interval(r.MidP)}
}
