package surveillance

import (
	"slices"
	"sort"
	"time"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Period is whole months, both included.
type Period struct{ From, To string }

// Line is one class of infection in one group and period.
type Line struct {
	Period        Period
	Group, Class  string
	Events        int
	AccessDays    int
	PatientMonths int
	PerHundred    *Rate
	PerThousand   *Rate
	SIR           *Against
	NoCensus      bool     // there is a reason why there is no rate per 100 patient-months
	Missing       []string // the months without a census, where they are the reason
	NoSIR         bool     // there is a reason why there is no SIR
	Predicted     float64  // where there is an SIR
}

// Comparison is constant-site needling against other needling of fistulas.
type Comparison struct {
	Ratio *Against
	Why   bool
}

// Disagreement is a group of a month whose denominators do not fit.
type Disagreement struct {
	Month, Group string
	Census       int
	Record       int // patients with a stay on a day of the census
}

// Sheet is everything that a facility's figures are.
type Sheet struct{ u *unit }

// Figures looks at a facility.
func Figures(w Ward) Sheet { return Sheet{see(w)} }

// Line computes one.
func (s Sheet) Line(class, group string, p Period) Line {
	u := s.u
	from, to := p.From+"-01", lastOf(p.To)
	l := Line{Period: p, Group: group, Class: class, Events: len(u.list(class, group, from, to)), AccessDays: u.patientDays(group,
		from, to)}
	if l.AccessDays > 0 {
		l.PerThousand = u.rate(l.Events, float64(l.AccessDays), 1000)
	}
	l.PatientMonths, l.Missing = u.census(group, p)
	if to >= u.AsOf && !u.is(OpenMonthHasRate) {
		l.Missing, l.NoCensus = nil, true
	}
	for m := p.From; m <= p.To; m = further(m, 1) {
		if !l.NoCensus && !u.whole(m) {
			l.Missing, l.NoCensus = nil, true
		}
	}
	if group == "unknown" {
		l.Missing, l.NoCensus = nil, true
	}
	if len(l.Missing) > 0 && !(u.is(YearMayLackMonths) && p.From != p.To) {
		l.NoCensus = true
	}
	if l.NoCensus || l.PatientMonths == 0 {
		l.PatientMonths, l.NoCensus, l.NoSIR = 0, true, true
		return l
	}
	l.PerHundred = u.rate(l.Events, float64(l.PatientMonths), 100)
	predicted, known := u.predicted(class, group, p)
	if !known || predicted < 1 && !u.is(SIRBelowOne) {
		l.NoSIR = true
		return l
	}
	l.SIR, l.Predicted = u.observedTo(l.Events, predicted), predicted
	return l
}

// whole reports whether a month's events are all on record: nothing counts before the first
// treatment, while the census is of the whole month.
// Settled: it is whole if the unit dialysed on no day of it before the first treatment.
func (u *unit) whole(month string) bool {
	last := lastOf(month)
	for d := month + "-01"; d <= last && d < u.since; d = later(d, 1) {
		if u.works(d) {
			return u.is(BeforeTheRecordRated)
		}
	}
	return true
}

// census adds up a group over months, and lists the months without one.
func (u *unit) census(group string, p Period) (patients int, missing []string) {
	for m := p.From; m <= p.To; m = further(m, 1) {
		c := u.censuses[m]
		if c == nil {
			missing = append(missing, m)
			continue
		}
		for _, t := range techniques {
			if within(t, group) {
				patients += u.counted(c, t)
			}
		}
	}
	return patients, missing
}

// counted is a census's number of a technique.
func (u *unit) counted(c *cannularyv1.CensusCounted, technique string) int {
	n := uint32(0)
	switch technique {
	case "constant-site":
		n = c.GetFistulaOfWhichConstantSite()
	case "other-fistula":
		n = c.GetFistula() - c.GetFistulaOfWhichConstantSite()
		if u.is(ConstantSiteIsAdded) {
			n = c.GetFistula()
		}
	case "graft":
		n = c.GetGraft()
	case "tunneled-catheter":
		n = c.GetTunneledCatheter()
	case "non-tunneled-catheter":
		n = c.GetNonTunneledCatheter()
	case "other-access":
		n = c.GetOther()
	}
	return int(n)
}

// predicted is how many events the references lead one to expect of those counted.
// Reading: each technique by its own reference; one that nobody was counted of needs none.
func (u *unit) predicted(class, group string, p Period) (events float64, known bool) {
	for _, t := range techniques {
		if !within(t, group) {
			continue
		}
		n, _ := u.census(t, p)
		rate := u.reference(t, class)
		if n > 0 && rate == 0 {
			return 0, false
		}
		events += float64(n) * rate / 100
	}
	return events, true
}

// reference is the registered rate of a technique; 0 for none.
// Reading: one for the pattern goes before one for all fistulas; of several the latest listed.
func (u *unit) reference(technique, class string) float64 {
	general, special := 0.0, 0.0
	for _, r := range u.rates {
		if chartClass(r.GetInfectionClass()) != class {
			continue
		}
		switch r.GetAccessKind() {
		case cannularyv1.AccessKind_ACCESS_KIND_FISTULA:
			switch p := r.GetPattern(); {
			case !within(technique, "fistula"):
			case p == cannularyv1.NeedlingPattern_NEEDLING_PATTERN_UNSPECIFIED:
				general = r.GetPer_100PatientMonths()
			case (p == cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE) == (technique == "constant-site"):
				special = r.GetPer_100PatientMonths()
			}
		case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
			special = either(technique == "graft", r.GetPer_100PatientMonths(), special)
		case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
			special = either(technique == "tunneled-catheter", r.GetPer_100PatientMonths(), special)
		case cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
			special = either(technique == "non-tunneled-catheter", r.GetPer_100PatientMonths(), special)
		case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
			special = either(technique == "other-access", r.GetPer_100PatientMonths(), special)
		}
	}
	if special > 0 && !(u.is(GeneralGoesFirst) && general > 0) {
		return special
	}
	return general
}

func either(is bool, a, b float64) float64 {
	if is {
		return a
	}
	return b
}

// Compare compares the two techniques by access-days.
func (s Sheet) Compare(class string, p Period) Comparison {
	one, two := s.Line(class, "constant-site", p), s.Line(class, "other-fistula", p)
	if one.AccessDays == 0 || two.AccessDays == 0 || one.Events+two.Events == 0 {
		return Comparison{Why: true}
	}
	return Comparison{Ratio: s.u.ratio(one.Events, two.Events, one.AccessDays, two.AccessDays)}
}

// Disagreements compares the denominators of a month that is over and wholly on record.
// Reading: 10 % are of the greater of the two.
func (s Sheet) Disagreements(month string) []Disagreement {
	u := s.u
	c := u.censuses[month]
	if c == nil || lastOf(month) >= u.AsOf || !u.whole(month) {
		return nil
	}
	var out []Disagreement
	for _, g := range append([]string{"fistula", "all"}, techniques...) {
		if g == "unknown" {
			continue
		}
		census, _ := u.census(g, Period{month, month})
		record := 0
		for _, t := range u.onRecord(c) {
			if within(t, g) {
				record++
			}
		}
		by := max(census-record, record-census)
		many, much := by > 2, 10*by > max(census, record)
		if many && much || u.is(TenPercentIsEnough) && much || u.is(TwoPatientsAreEnough) && many {
			out = append(out, Disagreement{month, g, census, record})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Group < out[j].Group })
	return out
}

// onRecord is the technique of each patient with a stay on a day of a census.
// Reading: days that cannot be read are passed over while there is one that can be.
func (u *unit) onRecord(c *cannularyv1.CensusCounted) []string {
	var days []string
	for _, d := range c.GetCountedOn() {
		if _, err := time.Parse(time.DateOnly, d); err == nil {
			days = append(days, d)
		}
	}
	if len(days) == 0 && !u.is(NoDaysNobody) {
		days = u.workingDays(c.GetMonth())
	}
	sort.Strings(days)
	if u.is(EarliestOfCensus) {
		slices.Reverse(days)
	}
	days = slices.Compact(days)
	var out []string
	for _, p := range u.Patients {
		latest := ""
		for _, d := range days {
			technique, ok := u.through(p, d)
			if !ok {
				continue
			}
			if latest != "" && u.is(TwiceIsTwo) {
				out = append(out, technique)
			}
			latest = technique
		}
		if latest != "" {
			out = append(out, latest)
		}
	}
	sort.Strings(out)
	return out
}

// OnRecord is the technique of each patient on the days of a month's census, sorted.
func (s Sheet) OnRecord(month string) []string {
	if c := s.u.censuses[month]; c != nil {
		return s.u.onRecord(c)
	}
	return nil
}

// Cultures counts those with a result.
func (s Sheet) Cultures(p Period) (positive, negative int) {
	for _, c := range s.u.cultures() {
		switch {
		case c.Date < p.From+"-01" || c.Date > lastOf(p.To):
		case c.Positive:
			positive++
		case !s.u.is(NegativeIsNone):
			negative++
		}
	}
	return positive, negative
}

// LastCulture is the date of the newest; empty for none.
func (s Sheet) LastCulture() string {
	last := ""
	for _, c := range s.u.cultures() {
		last = max(last, c.Date)
	}
	return last
}

// cultures are those of the facility.
func (u *unit) cultures() []Culture {
	var out []Culture
	for _, p := range u.Patients {
		for _, c := range p.Answer.Cultures {
			if c.Facility == u.Facility && u.counts(c.Date) {
				out = append(out, c)
			}
		}
	}
	return out
}

// Notice reports whether a census was counted on other days than the first two working days.
func (s Sheet) Notice(month string) bool {
	c := s.u.censuses[month]
	if c == nil {
		return false
	}
	on := append([]string{}, c.GetCountedOn()...)
	sort.Strings(on)
	return !slices.Equal(on, s.u.workingDays(month))
}

// Unmatched are the acknowledgements that answered no signal, in the order of arrival.
func (s Sheet) Unmatched(b Book) []string {
	var out []string
	answers := slices.Clone(s.u.answers)
	sort.SliceStable(answers, func(i, j int) bool { return answers[i].seq < answers[j].seq })
	for _, a := range answers {
		signals, _ := s.u.answered(a.chart, b.Signals)
		if !slices.ContainsFunc(signals, func(g Signal) bool { return g.Answered == a.fact }) {
			out = append(out, a.fact)
		}
	}
	return out
}

// WorkingDays are the first two of a month.
func (s Sheet) WorkingDays(month string) []string { return s.u.workingDays(month) }

// Since is the first date that counts; empty for all.
func (s Sheet) Since() string { return s.u.since }

// Cases lists the events of a class and group up to today.
func (s Sheet) Cases(class, group string) []Case { return s.u.list(class, group, "", s.u.AsOf) }

// Last is the date of the newest event of a class and group; empty for none.
func (s Sheet) Last(class, group string) string {
	last := ""
	for _, c := range s.Cases(class, group) {
		last = max(last, c.Date)
		if s.u.is(LastIsFirst) {
			break
		}
	}
	return last
}

// Gaps are the days from each event to the next.
func (s Sheet) Gaps(class, group string) []float64 {
	var out []float64
	for i, list := 1, s.Cases(class, group); i < len(list); i++ {
		out = append(out, float64(apart(list[i-1].Date, list[i].Date)))
	}
	return out
}

// Doubtful lists what does not count or is named, and what lies outside every stay.
func (s Sheet) Doubtful(p Period) []Case {
	var out []Case
	for _, c := range s.u.cases {
		if c.Date >= p.From+"-01" && c.Date <= lastOf(p.To) && (!c.Counted || c.Named || c.Outside) {
			out = append(out, c)
		}
	}
	return out
}

// Size is the average number of patients of a technique in so many whole months before the
// one that today is in.
// Settled: of the month in the midst of which the record began the days since are taken.
func (s Sheet) Size(technique string, months int) float64 {
	patients, days := 0, 0
	for i := 1; i <= months; i++ {
		m := further(s.u.AsOf[:7], -i)
		patients += s.u.patientDays(technique, m+"-01", lastOf(m))
		if lastOf(m) >= s.u.since {
			days += apart(max(m+"-01", s.u.since), lastOf(m)) + 1
		}
	}
	if days == 0 {
		return 0
	}
	return float64(patients) / float64(days)
}
