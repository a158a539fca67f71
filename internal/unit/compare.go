package unit

import (
	"math"

	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
)

// Verdict is what a ratio of two years allows to say.
type Verdict string

// The verdicts.
const (
	CouldBeChance Verdict = "could be chance"
	HardlyChance  Verdict = "hardly chance"
	TooFew        Verdict = "too few to say"
	NoComparison  Verdict = "no comparison"
)

// Years is one figure of the year against the year before.
type Years struct {
	// What names the figure: a class of infection, "rescue" or "troubled".
	What   string        `json:"what"`
	Group  surveil.Group `json:"group,omitempty"` // of an infection
	Events int           `json:"events"`
	Before int           `json:"eventsBefore"`
	// Exposures are access-days of an infection, else sessions past forming.
	Exposure       int `json:"exposure"`
	ExposureBefore int `json:"exposureBefore"`
	// Ratio has no value without events in the year before, and then no upper limit either.
	Ratio   *float64 `json:"ratio"`
	Lower   *float64 `json:"lower"`
	Upper   *float64 `json:"upper"`
	Verdict Verdict  `json:"verdict"`
	// Rate and RateBefore are per 1,000 access-days, or per 100 sessions, with their exact limits
	// (Garwood, Biometrika 1936;28:437); nil without exposure.
	Rate       *Rate `json:"rate"`
	RateBefore *Rate `json:"rateBefore"`
	// DaysBefore are the days of the year before, OnRecord those of them that the record reaches.
	DaysBefore int `json:"daysOfTheYearBefore,omitempty"`
	OnRecord   int `json:"ofWhichOnRecord,omitempty"`
}

// Rate is events per exposure with exact 95 % limits.
type Rate struct {
	Value float64 `json:"value"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

func rateOf(g incidence.Group, per float64) (*Rate, error) {
	if g.Exposure <= 0 {
		return nil, nil
	}
	r, err := incidence.RateOf(g.Events, g.Exposure, per, surveil.Level)
	return &Rate{r.Value, r.Exact.Lower, r.Exact.Upper}, err
}

// Figures of needling that are compared.
const (
	rescueSessions   = "rescue"
	troubledSessions = "troubled" // with a needle past forming, and not good
)

// Compare compares the events of this year with those of the year before, by their exposures. Rates
// are per so much of an exposure.
func Compare(now, before incidence.Group, per float64) (Years, error) {
	y := Years{Events: now.Events, Before: before.Events, Exposure: int(now.Exposure), ExposureBefore: int(before.Exposure)}
	var err error
	if y.Rate, err = rateOf(now, per); err != nil {
		return y, err
	}
	if y.RateBefore, err = rateOf(before, per); err != nil {
		return y, err
	}
	if now.Exposure <= 0 || before.Exposure <= 0 {
		y.Verdict = NoComparison
		return y, nil
	}
	n := now.Events + before.Events
	r, err := incidence.RateRatio(now, before, surveil.Level)
	if err != nil {
		return y, err
	}
	if n > 0 {
		y.Ratio, y.Lower, y.Upper = finite(r.Value), finite(r.Exact.Lower), finite(r.Exact.Upper)
	}
	few, err := tooFew(n, now.Exposure, before.Exposure)
	switch {
	case err != nil:
		return y, err
	case few:
		y.Verdict = TooFew
	case r.Test.Differs(surveil.Level):
		y.Verdict = HardlyChance
	default:
		y.Verdict = CouldBeChance
	}
	return y, nil
}

// tooFew reports whether no split of n events between two exposures would be hardly chance.
func tooFew(n int, one, two float64) (bool, error) {
	for _, split := range []int{0, n} {
		r, err := incidence.RateRatio(incidence.Group{Events: split, Exposure: one}, incidence.Group{Events: n - split, Exposure: two},
			surveil.Level)
		if err != nil || r.Test.Differs(surveil.Level) {
			return false, err
		}
	}
	return true, nil
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// Infections returns the infections of the twelve months that end with m against the twelve
// before, by access-days: of constant-site needling and of everybody.
func Infections(u *surveil.Unit, m surveil.Month) ([]Years, error) {
	var out []Years
	now, before := surveil.Year(m), surveil.Year(m-12)
	for _, c := range surveil.Infections() {
		for _, g := range []surveil.Group{surveil.Group(surveil.ConstantSite), surveil.AllAccess} {
			a, b := u.Counts(c, g, now), u.Counts(c, g, before)
			y, err := Compare(incidence.Group{Events: a.Events, Exposure: float64(a.AccessDays)},
				incidence.Group{Events: b.Events, Exposure: float64(b.AccessDays)}, 1000)
			if err != nil {
				return nil, err
			}
			y.What, y.Group = string(c), g
			y.DaysBefore = int(before.To.Last()-before.From.First()) + 1
			y.OnRecord = max(0, min(y.DaysBefore, int(before.To.Last()-u.Since)+1))
			out = append(out, y)
		}
	}
	return out, nil
}

// Needling returns rescues and troubled sessions of the twelve months that end with m against the
// twelve before, by sessions past forming.
func Needling(tracks []Track, m surveil.Month) ([]Years, error) {
	count := func(p surveil.Period) bluntCount {
		return blunt(tracks, zone.Day(p.From.First()), zone.Day(p.To.Last()))
	}
	now, before := count(surveil.Year(m)), count(surveil.Year(m-12))
	var out []Years
	for _, x := range []struct {
		what string
		of   func(bluntCount) int
	}{
		{rescueSessions, func(b bluntCount) int { return b.rescues }},
		{troubledSessions, func(b bluntCount) int { return b.sessions - b.clean }},
	} {
		y, err := Compare(incidence.Group{Events: x.of(now), Exposure: float64(now.sessions)},
			incidence.Group{Events: x.of(before), Exposure: float64(before.sessions)}, 100)
		if err != nil {
			return nil, err
		}
		y.What = x.what
		out = append(out, y)
	}
	return out, nil
}
