package infectioncontrol

import (
	"fmt"
	"math"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
)

// RateRatio is one rate divided by another with its exact 95 % limits, conditional on the total
// of events. If there is none, Says gives the reason and all else is missing.
type RateRatio struct {
	Ratio            *float64  `json:"ratio"` // nil without events in the second group
	Exact            *Interval `json:"exact"`
	MidP             *Interval `json:"midP"`
	P                *float64  `json:"p"` // twice the smaller exact side
	PMidP            *float64  `json:"pMidP"`
	MoreThanByChance bool      `json:"moreThanByChance"`
	Says             string    `json:"says"`
}

// rateRatio returns a ratio in the report's form. one names the first group, other the second.
func rateRatio(x *incidence.Ratio, one, other, allOne string) RateRatio {
	exact, midP, p, pMidP := interval(x.Exact), interval(x.MidP), six(x.Test.Exact), six(x.Test.MidP)
	out := RateRatio{Exact: &exact, MidP: &midP, P: &p, PMidP: &pMidP, MoreThanByChance: x.Test.Differs(surveil.Level)}
	found := allOne + ", so the ratio has no value and no upper limit"
	if !math.IsInf(x.Value, 1) {
		v := six(x.Value)
		out.Ratio = &v
		found = fmt.Sprintf("%s had %s times the rate of %s", one, two(v), other)
	}
	within := fmt.Sprintf("anything from %s times upwards", two(exact.Lower))
	if exact.Upper != nil {
		within = fmt.Sprintf("anything from %s to %s times", two(exact.Lower), two(*exact.Upper))
	}
	if out.MoreThanByChance {
		out.Says = fmt.Sprintf("%s; that is more than chance explains (p = %s), and fits %s.", found, three(p), within)
	} else {
		out.Says = fmt.Sprintf("%s; that fits %s, so no difference is shown, and none is excluded (p = %s).", found, within, three(p))
	}
	return out
}

// neither says why there is no ratio without events, and which rates fit that.
func neither(one string, a *surveil.Line, other string, b *surveil.Line) string {
	return fmt.Sprintf("No ratio: there was no event in either group. No event fits up to %s per 1,000 access-days %s and up to %s %s.",
		two(a.PerThousand.Exact.Upper), one, two(b.PerThousand.Exact.Upper), other)
}

// counted95 returns the exact 95 % limits of the mean of a count (Garwood, Biometrika 28:437,
// 1936). A bare 0 would read as no risk.
func counted95(events int) (Interval, error) {
	c, err := incidence.CountLimits(events, surveil.Level)
	return interval(c.Exact), err
}

// comparisons compares constant-site needling with other needling of fistulas, in the year.
func comparisons(w *surveil.Watch, m surveil.Month) ([]Comparison, error) {
	var out []Comparison
	for _, class := range surveil.Infections() {
		x, err := w.Compare(class, surveil.Year(m))
		if err != nil {
			return nil, err
		}
		c := Comparison{Class: class, Events: x.ConstantSite.Events, AccessDays: x.ConstantSite.AccessDays,
			OtherEvents: x.Other.Events, OtherAccessDays: x.Other.AccessDays}
		if c.EventsLimits, err = counted95(c.Events); err != nil {
			return nil, err
		}
		if c.OtherEventsLimits, err = counted95(c.OtherEvents); err != nil {
			return nil, err
		}
		switch {
		case x.Ratio != nil:
			c.RateRatio = rateRatio(x.Ratio, "Constant-site needling", "other needling", "All events were with constant-site needling")
		case x.ConstantSite.AccessDays > 0 && x.Other.AccessDays > 0:
			c.Says = neither("with constant-site needling", &x.ConstantSite, "with other needling", &x.Other)
		default:
			c.Says = "No ratio: " + x.Why + "."
		}
		out = append(out, c)
	}
	return out, nil
}

// unadjusted says what a comparison of techniques in one unit cannot show. Its published figures
// were read in the abstract of Lyman and others, AJKD 2020;76:82. That paper's events are of two
// years and its patients of one, so no rate can be made of them.
const unadjusted = "This comparison is not adjusted, and the patients are not alike: who is needled at constant sites was chosen for it. " +
	"It says which patients had more infections, not that the technique caused them. Adjusted for what differed, constant-site " +
	"needling had " +
	"2.6 times (2.4–2.8) the access-related bloodstream infections and 1.5 times (1.4–1.6) the local access infections of other needling " +
	"(Lyman and others, AJKD 2020;76:82)."

// YearBefore compares a class and group in the year with the twelve months before it, by
// access-days. Each rate is of the days on record.
type YearBefore struct {
	Class      surveil.Class `json:"class"`
	Group      surveil.Group `json:"group"`
	Before     string        `json:"yearBefore"` // its months
	Events     int           `json:"events"`
	AccessDays int           `json:"accessDays"`
	// EventsLimits are the exact 95 % limits of the mean of which so many were seen.
	EventsLimits       Interval `json:"eventsLimits"`
	BeforeEvents       int      `json:"eventsBefore"`
	BeforeAccessDays   int      `json:"accessDaysBefore"`
	BeforeEventsLimits Interval `json:"eventsBeforeLimits"`
	RateRatio
}

// groupsCompared returns the groups whose year is compared with the one before, and whose days between events are told.
func groupsCompared() []surveil.Group {
	return []surveil.Group{surveil.AllAccess, surveil.Group(surveil.ConstantSite), surveil.Group(surveil.OtherFistula)}
}

func yearsBefore(w *surveil.Watch, m surveil.Month) ([]YearBefore, error) {
	var out []YearBefore
	for _, class := range surveil.Infections() {
		for _, group := range groupsCompared() {
			y, err := yearBefore(w, class, group, m)
			if err != nil {
				return nil, err
			}
			out = append(out, y)
		}
	}
	return out, nil
}

func yearBefore(w *surveil.Watch, class surveil.Class, group surveil.Group, m surveil.Month) (YearBefore, error) {
	before := surveil.Year(m - 12)
	y := YearBefore{Class: class, Group: group, Before: before.String()}
	now, err := w.Line(class, group, surveil.Year(m))
	if err != nil {
		return y, err
	}
	then, err := w.Line(class, group, before)
	if err != nil {
		return y, err
	}
	y.Events, y.AccessDays, y.BeforeEvents, y.BeforeAccessDays = now.Events, now.AccessDays, then.Events, then.AccessDays
	if y.EventsLimits, err = counted95(y.Events); err != nil {
		return y, err
	}
	if y.BeforeEventsLimits, err = counted95(y.BeforeEvents); err != nil {
		return y, err
	}
	switch {
	case before.To.Last() < w.Since:
		y.Says = "No ratio: the record does not reach into the year before."
		return y, nil
	case now.AccessDays == 0:
		y.Says = "No ratio: nobody was at risk in the year."
		return y, nil
	case then.AccessDays == 0:
		y.Says = "No ratio: nobody was at risk in the year before."
		return y, nil
	case now.Events+then.Events == 0:
		y.Says = neither("in the year", &now, "in the year before", &then)
	default:
		x, err := incidence.RateRatio(incidence.Group{Events: now.Events, Exposure: float64(now.AccessDays)},
			incidence.Group{Events: then.Events, Exposure: float64(then.AccessDays)}, surveil.Level)
		if err != nil {
			return y, err
		}
		y.RateRatio = rateRatio(&x, "The year", "the year before", "All events were in the year")
	}
	if n, all := observed(w, before), int(before.To.Last()-before.From.First())+1; n < all {
		y.Says += fmt.Sprintf(" Of the year before %s of %d are on record.", number(n, "day"), all)
	}
	return y, nil
}
