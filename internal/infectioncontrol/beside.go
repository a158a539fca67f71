package infectioncontrol

import (
	"fmt"

	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
)

// ReferenceRate is a registered rate, with what it is a rate of and what else can be compared
// with.
type ReferenceRate struct {
	Technique surveil.Technique `json:"technique"`
	Class     surveil.Class     `json:"class"`
	Rate      float64           `json:"per100PatientMonths"`
	Basis     string            `json:"basis"` // where it was published, as registered
	Beside
}

// Beside holds what stands beside a reference rate. All rates are events per 100 patient-months.
type Beside struct {
	// Of says whose rate the reference is.
	Of string `json:"rateOf"`
	// Baseline is the unit's own earlier rate.
	Baseline Baseline `json:"ownBaseline"`
	// ConstantSite is what the reference and the published ratio make likely for constant-site
	// needling. It is nil for other techniques, and if it cannot be said.
	ConstantSite *ConstantSiteReference `json:"constantSiteReference"`
	Says         []string               `json:"says"`
}

// Baseline is the unit's own rate of twelve earlier months, by access-days; 30.44 of them are a
// patient-month.
type Baseline struct {
	Months     string    `json:"months"`
	Events     int       `json:"events"`
	AccessDays int       `json:"accessDays"`
	Rate       *Estimate `json:"per100PatientMonths"` // nil if nobody was at risk
}

// ConstantSiteReference is a range of rates (ours): from the reference to its multiple by the
// published ratio.
type ConstantSiteReference struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// constantSiteRatio returns the ratio of constant-site needling to other needling of fistulas,
// adjusted, with 95 % limits in words (Lyman and others, AJKD 2020;76:82, read in the abstract).
// The paper's events are of two years and its patients of one, so no rate is made of them here.
func constantSiteRatio(c surveil.Class) (ratio float64, says string, ok bool) {
	switch c {
	case surveil.AccessRelated:
		return 2.6, "2.6 (2.4–2.8)", true
	case surveil.LocalAccess:
		return 1.5, "1.5 (1.4–1.6)", true
	}
	return 0, "", false
}

// references returns the registered rates with what stands beside them. The baseline is of the
// twelve months before the report's year.
func references(w *surveil.Watch, m surveil.Month) ([]ReferenceRate, error) {
	out := []ReferenceRate{}
	for _, class := range surveil.Infections() {
		for _, t := range surveil.Techniques() {
			for _, ref := range w.References {
				if ref.Technique != t || ref.Class != class {
					continue
				}
				b, err := beside(w, &ref, surveil.Year(m-12))
				if err != nil {
					return nil, err
				}
				out = append(out, ReferenceRate{Technique: t, Class: class, Rate: six(ref.Rate), Basis: ref.Basis, Beside: b})
			}
		}
	}
	return out, nil
}

// beside returns what stands beside a reference.
func beside(w *surveil.Watch, ref *surveil.Reference, of surveil.Period) (Beside, error) {
	b := Beside{Of: rateOf(ref)}
	var err error
	if b.Baseline, err = baseline(w, ref, of); err != nil {
		return b, err
	}
	b.Says = append(b.Says, b.Of, b.Baseline.says())
	if ref.Technique != surveil.ConstantSite || ref.Of == surveil.Group(surveil.ConstantSite) {
		return b, nil
	}
	ratio, says, ok := constantSiteRatio(ref.Class)
	switch {
	case !ok:
		b.Says = append(b.Says, "A constant-site reference: none is known for this class.")
	case ref.Of == surveil.Fistula:
		b.ConstantSite = &ConstantSiteReference{Lower: six(ref.Rate), Upper: six(ref.Rate * ratio)}
		b.Says = append(b.Says, fmt.Sprintf("A constant-site reference (ours): between %s and %s per 100 patient-months. The adjusted "+
			"ratio to other needling is %s (Lyman and others, AJKD 2020;76:82). "+
			"The upper figure is right where hardly any fistula behind the reference was needled at constant sites, the lower where "+
			"all were.", decimal(b.ConstantSite.Lower), decimal(b.ConstantSite.Upper), says))
	default:
		b.Says = append(b.Says, "A constant-site reference: this figure cannot give one. Register one with its source.")
	}
	return b, nil
}

// rateOf says whose rate a reference is.
func rateOf(ref *surveil.Reference) string {
	switch {
	case ref.Of == surveil.Fistula && ref.Technique == surveil.ConstantSite:
		return "It is a rate of all fistulas, with any needling. It is not a rate of constant-site needling. Country and year are " +
			"those of its source."
	case ref.Of == surveil.Fistula:
		return "It is a rate of all fistulas, constant-site ones included. Country and year are those of its source."
	case ref.Of == "":
		return "Nobody registered what it is a rate of: it was given with the request."
	}
	return fmt.Sprintf("It is a rate registered for %s alone; country and year are those of its source.", inWords(ref.Technique))
}

func inWords(t surveil.Technique) string {
	switch t {
	case surveil.ConstantSite:
		return "constant-site needling"
	case surveil.OtherFistula:
		return "other needling of fistulas"
	case surveil.Graft:
		return "grafts"
	case surveil.TunneledCatheter:
		return "tunneled catheters"
	case surveil.NonTunneledCatheter:
		return "non-tunneled catheters"
	}
	return "other accesses"
}

func baseline(w *surveil.Watch, ref *surveil.Reference, of surveil.Period) (Baseline, error) {
	c := w.Counts(ref.Class, surveil.Group(ref.Technique), of)
	b := Baseline{Months: of.String(), Events: c.Events, AccessDays: c.AccessDays}
	if c.AccessDays == 0 {
		return b, nil
	}
	r, err := incidence.RateOf(c.Events, float64(c.AccessDays)/incidence.DaysPerMonth, 100, surveil.Level)
	if err != nil {
		return b, err
	}
	b.Rate = estimate(&r)
	return b, nil
}

func (b *Baseline) says() string {
	if b.Rate == nil {
		return fmt.Sprintf("The unit's own baseline: none, nobody was at risk on record in %s.", b.Months)
	}
	return fmt.Sprintf("The unit's own baseline, %s: %s (%s) per 100 patient-months, %s in %d access-days. It is usual only where "+
		"nothing was wrong then.",
		b.Months, two(b.Rate.Value), span(b.Rate.Exact), number(b.Events, "event"), b.AccessDays)
}
