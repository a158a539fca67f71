package infectioncontrol

import (
	"fmt"

	"cannulary/internal/surveil"
)

// Report is a facility's month for the infection-control meeting. It names no patient: its
// numbers of patients and tracks are valid only in this report. Figures are rounded to six
// decimals. Every page and file is made from it alone.
type Report struct {
	Facility string `json:"facility"`
	Name     string `json:"name"`
	Month    string `json:"month"` // YYYY-MM
	Year     string `json:"year"`  // the twelve months that end with it
	// AsOf is the newest day that had begun at the facility. Charts and the days since an event
	// go up to it.
	AsOf string `json:"asOf"`
	// Sequence is the last log entry that is in the report for certain, LogSequence the last
	// entry of the log. Lagging reports that the view was too far behind, or being built, so
	// that the report is not complete.
	Sequence    uint64 `json:"sequence"`
	LogSequence uint64 `json:"logSequence"`
	Lagging     bool   `json:"lagging"`
	Caution     string `json:"caution"`
	// Notices must be read before any figure.
	Notices []string `json:"notices"`
	// Cultures are the blood cultures with a result in the month, YearCultures in the year.
	// LastCulture is the date of collection of the newest one up to AsOf, empty if there is
	// none.
	Cultures     Cultures      `json:"bloodCultures"`
	YearCultures Cultures      `json:"bloodCulturesOfTheYear"`
	LastCulture  string        `json:"lastBloodCulture,omitempty"`
	Method       []Sentence    `json:"method"`
	Rates        []Rate        `json:"rates"`
	Monthly      []MonthlyRate `json:"monthly"`
	Comparisons  []Comparison  `json:"comparisons"`
	// Unadjusted is what must be read with the comparisons.
	Unadjusted   string          `json:"comparisonsAreUnadjusted"`
	YearsBefore  []YearBefore    `json:"yearsBefore"`
	References   []ReferenceRate `json:"references"`
	Funnels      []Funnel        `json:"funnels"`
	Charts       []Chart         `json:"charts"`
	Unset        Unset           `json:"withoutThreshold"`
	Between      []Between       `json:"daysBetweenEvents"`
	Denominators []Denominator   `json:"denominators"`
	Cases        []Case          `json:"cases"`
	Restatements Restatements    `json:"restatements"`
}

// Windows of a rate.
const (
	WindowMonth = "month"
	WindowYear  = "year"
)

// Sentence is a part of the method. Ours marks what is not in the published protocol.
type Sentence struct {
	Text string `json:"text"`
	Ours bool   `json:"ours"`
}

// Interval is a pair of limits. Without Upper there is no upper limit.
type Interval struct {
	Lower float64  `json:"lower"`
	Upper *float64 `json:"upper"`
}

// Estimate is a figure with its 95 % limits by both conventions.
type Estimate struct {
	Value float64  `json:"value"`
	Exact Interval `json:"exact"`
	MidP  Interval `json:"midP"`
}

// Rate is a class of infection in a group and window.
type Rate struct {
	Class  surveil.Class `json:"class"`
	Group  surveil.Group `json:"group"`
	Window string        `json:"window"`
	Events int           `json:"events"`
	// EventsLimits are the exact 95 % limits of the mean of which so many were seen.
	EventsLimits Interval `json:"eventsLimits"`
	// PatientMonths is the denominator of the census method. NoPerHundred says why there is no rate
	// by it. NoPerThousand and NoSIR do the same for theirs.
	PatientMonths *int      `json:"patientMonths"`
	PerHundred    *Estimate `json:"per100PatientMonths"`
	NoPerHundred  string    `json:"noPer100PatientMonths,omitempty"`
	AccessDays    int       `json:"accessDays"`
	PerThousand   *Estimate `json:"per1000AccessDays"`
	NoPerThousand string    `json:"noPer1000AccessDays,omitempty"`
	SIR           *SIR      `json:"standardisedInfectionRatio"`
	NoSIR         string    `json:"noStandardisedInfectionRatio,omitempty"`
}

// shown reports whether anything is known of the group.
func (r *Rate) shown() bool {
	return r.Events > 0 || r.AccessDays > 0 || r.PatientMonths != nil && *r.PatientMonths > 0
}

// SIR is observed events divided by predicted ones. P is twice the smaller exact side.
type SIR struct {
	Predicted float64 `json:"predicted"`
	Estimate
	P float64 `json:"p"`
}

// Cultures are blood cultures with a result, on which rates of bloodstream infection rest.
type Cultures struct {
	Positive int `json:"positive"`
	Negative int `json:"negative"`
}

// MonthlyRate is the rate of access-related bloodstream infection in one month of the year.
type MonthlyRate struct {
	Month  string        `json:"month"`
	Group  surveil.Group `json:"group"`
	Events int           `json:"events"`
	// EventsLimits are the exact 95 % limits of the mean of which so many were seen.
	EventsLimits Interval  `json:"eventsLimits"`
	AccessDays   int       `json:"accessDays"`
	PerThousand  *Estimate `json:"per1000AccessDays"`
	// Partial reports that the record covers only a part of the month.
	Partial bool `json:"partial,omitempty"`
}

// Comparison compares constant-site needling with other needling of fistulas, in the year and by
// access-days.
type Comparison struct {
	Class      surveil.Class `json:"class"`
	Events     int           `json:"constantSiteEvents"`
	AccessDays int           `json:"constantSiteAccessDays"`
	// EventsLimits are the exact 95 % limits of the mean of which so many were seen.
	EventsLimits      Interval `json:"constantSiteEventsLimits"`
	OtherEvents       int      `json:"otherEvents"`
	OtherAccessDays   int      `json:"otherAccessDays"`
	OtherEventsLimits Interval `json:"otherEventsLimits"`
	RateRatio
}

// Funnel is every facility's count of a class with what is expected.
type Funnel struct {
	Class  surveil.Class `json:"class"`
	Says   string        `json:"says"`
	Points []FunnelPoint `json:"points"`
}

// FunnelPoint is one facility in a funnel.
type FunnelPoint struct {
	Facility string `json:"facility"`
	Events   int    `json:"events"`
	// EventsLimits are the exact 95 % limits of the mean of which so many were seen; Inner and
	// Outer are those of the funnel, about what is expected.
	EventsLimits Interval `json:"eventsLimits"`
	AccessDays   int      `json:"accessDays"`
	Expected     float64  `json:"expected"`
	Inner        Interval `json:"limits95"`
	Outer        Interval `json:"limits998"`
	Says         string   `json:"says"`
}

// Chart is a sequential signal. If its threshold was voided while a signal stands, all fields of
// the threshold are 0 or empty.
type Chart struct {
	surveil.ChartName
	Reference float64 `json:"referencePer100PatientMonths"`
	RateRatio float64 `json:"rateRatio"`
	Threshold float64 `json:"threshold"`
	// InControl is the months between false alarms for which the threshold was computed.
	InControl float64 `json:"inControlMonths"`
	SetBy     string  `json:"setBy"`
	From      string  `json:"from"`
	Sum       float64 `json:"sum"`
	Standing  bool    `json:"signalStands"`
	Says      string  `json:"says"`
	Notice    string  `json:"notice"` // what it can notice at the unit's size from a sum of 0, or why that cannot be said
	Rule      string  `json:"rule"`   // what single infections mean at the unit's size from a sum of 0
	// Now says what the next infection means from the present sum. It is empty at 0 and while a
	// signal stands.
	Now string `json:"now"`

	Signals []Signal      `json:"signals"`
	Former  []FormerChart `json:"formerCharts"` // oldest first
	Points  []ChartPoint  `json:"points"`
}

// FormerChart is the chart before its threshold was set anew. Its sum is by what is known now.
// Its signals are among those of the chart.
type FormerChart struct {
	Reference float64  `json:"referencePer100PatientMonths"`
	RateRatio float64  `json:"rateRatio"`
	Threshold float64  `json:"threshold"`
	SetBy     string   `json:"setBy"`
	From      string   `json:"from"`
	Until     string   `json:"until"`
	Sum       float64  `json:"sum"`
	Raised    []string `json:"raised"` // days of its signals
	Says      string   `json:"says"`
}

// Signal is one that a chart raised. On, By and Reason belong to its acknowledgement.
type Signal struct {
	Day    string  `json:"day"`
	Sum    float64 `json:"sum"`
	On     string  `json:"acknowledgedOn,omitempty"`
	By     string  `json:"acknowledgedBy,omitempty"`
	Reason string  `json:"reason,omitempty"` // as typed; it may name whom it should not
	// Since says what has changed since it was raised, empty if nothing has.
	Since string `json:"changedSince,omitempty"`
}

// ChartPoint is a chart at a day's end. Of consecutive days at 0 only the first and the last are
// listed.
type ChartPoint struct {
	Day     string  `json:"day"`
	Events  int     `json:"events"`
	Sum     float64 `json:"sum"`
	Restart bool    `json:"restart,omitempty"`
}

// Unset lists charts without a threshold and says how to set one.
type Unset struct {
	Charts []surveil.ChartName `json:"charts"`
	How    string              `json:"how,omitempty"`
}

// Between is the days between the events of a class and group up to AsOf.
type Between struct {
	Class surveil.Class `json:"class"`
	Group surveil.Group `json:"group"`
	Last  string        `json:"last,omitempty"` // date of the newest event
	Since *int          `json:"daysSince"`      // days from it to AsOf
	Gaps  []Gap         `json:"gaps"`
	// Limits are those of the present gap, by all gaps before it.
	Limits *GapLimits `json:"limits"`
	Says   string     `json:"says"`
}

// Gap is the days between an event and the one on Day, with limits by the gaps before it.
type Gap struct {
	Day    string     `json:"day"`
	Days   int        `json:"days"`
	Limits *GapLimits `json:"limits"`
}

// GapLimits are exact limits of days between events: 2.5 % lie beyond each.
type GapLimits struct {
	Lower  float64 `json:"lower"`
	Centre float64 `json:"centre"`
	Upper  float64 `json:"upper"`
}

// Denominator is a month's census beside its access-days.
type Denominator struct {
	Month      string   `json:"month"`
	Census     *int     `json:"census"`
	AccessDays int      `json:"accessDays"`
	Average    float64  `json:"averagePatients"` // access-days by the days counted
	Cultures   Cultures `json:"bloodCultures"`
	Says       []string `json:"says"`
}

// Case is one occurrence, whether it counts or not.
type Case struct {
	No        int               `json:"no"`
	InMonth   bool              `json:"inMonth"`
	Day       string            `json:"day"`
	What      string            `json:"what"`
	Counts    []surveil.Class   `json:"counts"` // the classes that it counts in
	Technique surveil.Technique `json:"technique"`
	// Patient and Tracks are numbered within the report: 2.1 is the first track of the second
	// patient.
	Patient   int      `json:"patient"`
	Tracks    []string `json:"tracks"`
	Organisms []string `json:"organisms"`
	// Tested are the organisms' susceptibilities, in words. Start is what form 57.502 asks of an
	// intravenous start, Outcome what it asks of every event. Both say what nobody recorded.
	Tested  []string `json:"susceptibilities"`
	Start   string   `json:"start,omitempty"`
	Outcome string   `json:"outcome"`
	WhyNot  string   `json:"whyNot,omitempty"`
	Doubts  []string `json:"doubts"`
}

// Restatements are the figures of the year's months that differ from what was first reported.
type Restatements struct {
	Says string        `json:"says"`
	List []Restatement `json:"list"`
}

// Restatement is one figure as first reported and as it is now. A denominator has no class.
type Restatement struct {
	Month  string        `json:"month"`
	Class  surveil.Class `json:"class,omitempty"`
	Group  surveil.Group `json:"group"`
	Figure string        `json:"figure"`
	// First is the figure as first reported on FirstOn, Now as it has been since NowOn; nil if
	// there was, or is, no such figure.
	First   *int   `json:"first"`
	FirstOn string `json:"firstOn"`
	Now     *int   `json:"now"`
	NowOn   string `json:"nowOn"`
}

// Knowledge is what the log knew when a report was made.
type Knowledge struct {
	Sequence, LogSequence uint64
	Lagging               bool
}

// makeReport returns the report of a month for one facility. all are the facilities that it is
// compared with, itself included. It is a pure function. The caller adds the restatements.
func makeReport(w *surveil.Watch, all []*surveil.Watch, m surveil.Month, k Knowledge) (Report, error) {
	r := Report{
		Facility: w.Facility, Name: w.Name, Month: m.String(), Year: surveil.Year(m).String(), AsOf: w.AsOf.String(),
		Sequence: k.Sequence, LogSequence: k.LogSequence, Lagging: k.Lagging, Caution: Caution, Method: method(),
	}
	var err error
	if r.Rates, err = rates(w, m); err != nil {
		return r, fmt.Errorf("rates: %w", err)
	}
	if r.Monthly, err = monthly(w, m); err != nil {
		return r, fmt.Errorf("monthly rates: %w", err)
	}
	if r.Comparisons, err = comparisons(w, m); err != nil {
		return r, fmt.Errorf("comparisons: %w", err)
	}
	r.Unadjusted = unadjusted
	if r.YearsBefore, err = yearsBefore(w, m); err != nil {
		return r, fmt.Errorf("the year before: %w", err)
	}
	if r.References, err = references(w, m); err != nil {
		return r, fmt.Errorf("reference rates: %w", err)
	}
	if r.Funnels, err = funnels(w, all, m); err != nil {
		return r, fmt.Errorf("funnels: %w", err)
	}
	r.Charts, r.Unset = charts(w), unset(w)
	if r.Between, err = between(w); err != nil {
		return r, fmt.Errorf("days between events: %w", err)
	}
	r.Denominators, r.Cases = denominators(w, m), cases(w, m)
	r.Cultures, r.YearCultures = cultures(w, surveil.One(m)), cultures(w, surveil.Year(m))
	if d, ok := w.LastCulture(); ok {
		r.LastCulture = d.String()
	}
	r.Notices = notices(w, m, &r)
	return r, nil
}
