package incidence

import (
	"fmt"
	"math"
	"strconv"
)

// MostIncrease is the highest increase that Notice looks at.
const MostIncrease = 100

// Notice is what a design can and cannot notice. All times are averages from S = 0. Delays are
// skewed, so the chances within a time stand beside them.
type Notice struct {
	Design
	Within   float64 // months
	Increase float64 // lowest that is noticed within, +Inf if MostIncrease is not
	Doubled  float64 // months until a doubled rate is noticed
	Tripled  float64
	// Probabilities of a signal within so many months: with a doubled rate, with a tripled rate,
	// and with the usual one, which is a false alarm.
	DoubledWithin, TripledWithin, FalseWithin float64
	// Asked is the months between false alarms that the threshold was set for; 0 if that is not
	// known.
	Asked float64
}

// Notice returns the lowest increase that the signal notices within so many months on average.
// They must be fewer than the months between false alarms: later than that, even no increase is
// "noticed".
func (d Design) Notice(within float64) (Notice, error) {
	if err := checkSize("the number of months to notice within", within); err != nil {
		return Notice{}, err
	}
	control, err := d.RunLength(1)
	if err != nil {
		return Notice{}, err
	}
	if within >= control.FromZero {
		return Notice{}, fmt.Errorf("the number of months to notice within must be below the %.1f between false alarms; it is %v",
			control.FromZero, within)
	}
	months := func(increase float64) float64 {
		days, e := d.walk(d.perDay()).runLength(d.perDay()*increase, 0)
		if e != nil {
			err = e
		}
		return days / DaysPerMonth
	}
	chance := func(increase float64) float64 {
		p, e := d.Chance(increase, within)
		if e != nil {
			err = e
		}
		return p
	}
	n := Notice{Design: d, Within: within, Increase: math.Inf(1), Doubled: months(2), Tripled: months(3),
		DoubledWithin: chance(2), TripledWithin: chance(3), FalseWithin: chance(1)}
	lo, hi := 1.0, float64(MostIncrease)
	if months(hi) <= within {
		for hi-lo > 1e-5*hi && err == nil {
			if mid := (lo + hi) / 2; months(mid) <= within {
				hi = mid
			} else {
				lo = mid
			}
		}
		n.Increase = hi
	}
	return n, err
}

// Sentence returns the notice as a sentence for a person.
func (n Notice) Sentence() string {
	patients := "patients"
	if n.PatientMonths == 1 {
		patients = "patient"
	}
	s := fmt.Sprintf("With %s %s and %s events per 100 patient-months as usual, and from a sum of 0, this signal notices a doubled rate "+
		"after %s on average and a tripled one after %s",
		plain(n.PatientMonths), patients, plain(n.Rate), span(n.Doubled), span(n.Tripled))
	if math.IsInf(n.Increase, 1) {
		s += fmt.Sprintf("; not even a rate %d times the usual is noticed within %s on average.", MostIncrease, span(n.Within))
	} else {
		// It is rounded up, so that the stated increase is noticed in time.
		s += fmt.Sprintf("; to be noticed within %s on average, the rate must become at least %.1f times the usual.", span(n.Within),
			math.Ceil(n.Increase*10)/10)
	}
	s += fmt.Sprintf(" Within %s, from 0, it signals a doubled rate with a chance of %s, a tripled one with %s, and with %s although "+
		"nothing is wrong.",
		span(n.Within), percent(n.DoubledWithin), percent(n.TripledWithin), percent(n.FalseWithin))
	if n.Asked > 0 {
		s += fmt.Sprintf(" A false alarm in %s months was asked for; while nothing is wrong, the size of %s %s gives one in %.0f months "+
			"on average.", plain(math.Round(n.Asked)), plain(n.PatientMonths), patients, n.InControl)
	} else {
		s += fmt.Sprintf(" While nothing is wrong it gives a false alarm after %s on average.", span(n.InControl))
	}
	return s + " At this size, from a sum of 0, " + n.Rule() + "."
}

// Stands says what holds from the present sum above 0: whether one more infection is a signal,
// and the chance of a false signal within a year.
func (d Design) Stands(sum float64) (string, error) {
	const year = 12
	here, err := d.ChanceFrom(sum, 1, year)
	if err != nil {
		return "", err
	}
	zero, err := d.Chance(1, year)
	more := "one more infection is no signal yet"
	if d.OneMore(sum) {
		more = "one more infection is a signal"
	}
	return fmt.Sprintf("From the sum as it stands, %.3f of %.3f, %s; within 12 months it signals with a chance of %s although nothing is "+
		"wrong (from a sum of 0: %s).",
		sum, d.H, more, percent(here), percent(zero)), err
}

// Choice returns a design as one clause, for comparison with another: its rule, and when it
// signals falsely and for a doubled rate.
func (n Notice) Choice() string {
	return fmt.Sprintf("%s: false alarm after %s, a doubled rate noticed after %s", n.Rule(), years(n.InControl), years(n.Doubled))
}

// years returns a number of months in words, in years with a decimal from two years on.
func years(months float64) string {
	if months < 24 || months > 1200 {
		return span(months)
	}
	return fmt.Sprintf("%.1f years", months/12)
}

// plain returns a number without needless digits.
func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// percent returns a probability in words.
func percent(p float64) string {
	switch {
	case p < 0.005:
		return "less than 1 %"
	case p > 0.995:
		return "more than 99 %"
	}
	return fmt.Sprintf("%.0f %%", p*100)
}

// span returns a number of months in words.
func span(months float64) string {
	switch whole := math.Round(months); {
	case months < 0.95:
		return "less than a month"
	case whole == 1:
		return "1 month"
	case whole <= 60:
		return fmt.Sprintf("%.0f months", whole)
	case whole > 1200:
		return "more than a hundred years"
	default:
		return fmt.Sprintf("%.0f years", math.Round(months/12))
	}
}
