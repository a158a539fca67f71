package surveil_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

// unit is one in the east of n constant-site patients there since 2020, up to a day.
func unit(t *testing.T, n int, asOf string) *surveil.Unit {
	t.Helper()
	u := &surveil.Unit{Facility: east, Censuses: map[surveil.Month]surveil.Census{}, AsOf: day(t, asOf)}
	for i := range n {
		u.People = append(u.People, surveil.Patient{Key: fmt.Sprintf("p%03d", i), Person: surveil.Person{
			Exposures: []surveil.Exposure{{Facility: east, Technique: surveil.ConstantSite, From: day(t, "2020-01-01"),
				To: -surveil.First}}}})
	}
	return u
}

// happens adds a bloodstream infection of the i-th patient.
func happens(t *testing.T, u *surveil.Unit, i int, on string) string {
	t.Helper()
	fact := fmt.Sprintf("f%d.%s", i, on)
	u.People[i].Events = append(u.People[i].Events, surveil.Event{Kind: surveil.BloodCulture, Fact: fact, Facility: east, Day: day(t, on),
		Counted: true, Technique: u.People[i].Exposures[0].Technique})
	return fact
}

func counted(t *testing.T, u *surveil.Unit, c *v1.CensusCounted) {
	t.Helper()
	census, err := surveil.CensusOf("census", c)
	if err != nil {
		t.Fatal(err)
	}
	u.Censuses[census.Month] = census
}

func line(t *testing.T, u *surveil.Unit, c surveil.Class, g surveil.Group, p surveil.Period) surveil.Line {
	t.Helper()
	l, err := u.Line(c, g, p)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

const constantSite = surveil.Group(surveil.ConstantSite)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func TestAUnitOfThree(t *testing.T) {
	u := unit(t, 3, "2026-05-01")
	happens(t, u, 1, "2026-03-31")
	counted(t, u, &v1.CensusCounted{Month: "2026-03", Fistula: 3, FistulaOfWhichConstantSite: 3})
	l := line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-03")))
	if l.Events != 1 || l.PatientMonths != 3 || l.AccessDays != 93 || l.PerHundred == nil || l.PerThousand == nil {
		t.Fatalf("one event in three patients of March: %+v", l)
	}
	near(t, "the rate per 100 patient-months", l.PerHundred.Value, 100.0/3, 1e-9)
	near(t, "the rate per 1,000 access-days", l.PerThousand.Value, 1000.0/93, 1e-9)
	// Limits of one event: 0.0253 to 5.5716 (Garwood 1936).
	near(t, "the lower limit", l.PerHundred.Exact.Lower, 0.0253*100/3, 0.01)
	near(t, "the upper limit", l.PerHundred.Exact.Upper, 5.5716*100/3, 0.01)
	// The next month has no event: 0, and not more than 3.689 events (Garwood 1936).
	counted(t, u, &v1.CensusCounted{Month: "2026-04", Fistula: 3, FistulaOfWhichConstantSite: 3})
	l = line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-04")))
	if l.Events != 0 || l.AccessDays != 90 || l.PerHundred.Value != 0 || l.PerHundred.Exact.Lower != 0 {
		t.Errorf("no events: %+v", l)
	}
	near(t, "the upper limit of no events", l.PerHundred.Exact.Upper, 3.6889*100/3, 0.01)
	if _, ok := u.Last(surveil.Bloodstream, surveil.Group(surveil.Graft)); ok {
		t.Error("there was no event in a graft")
	}
	if d, ok := u.Last(surveil.Bloodstream, surveil.AllAccess); !ok || d.String() != "2026-03-31" {
		t.Errorf("the last event was on %s", d)
	}
}

func TestConstantSiteIsASubsetOfFistula(t *testing.T) {
	u := unit(t, 2, "2026-04-30")
	for i, technique := range []surveil.Technique{surveil.OtherFistula, surveil.OtherFistula, surveil.Graft, surveil.TunneledCatheter,
		surveil.NonTunneledCatheter, surveil.OtherAccess, surveil.Unknown} {
		u.People = append(u.People, surveil.Patient{Key: fmt.Sprint("q", i),
			Person: surveil.Person{Exposures: []surveil.Exposure{{Facility: east, Technique: technique, From: 0, To: -surveil.First}}}})
	}
	// another unit's
	u.People[3].Exposures = append(u.People[3].Exposures, surveil.Exposure{Facility: north, Technique: surveil.ConstantSite,
		From: 0, To: -surveil.First})
	for i := range u.People {
		happens(t, u, i, "2026-03-15")
	}
	counted(t, u, &v1.CensusCounted{Month: "2026-03", Fistula: 40, FistulaOfWhichConstantSite: 12, Graft: 5, TunneledCatheter: 7,
		NonTunneledCatheter: 2, Other: 1})
	march := surveil.One(month(t, "2026-03"))
	for g, want := range map[surveil.Group]struct{ events, days, months int }{
		constantSite: {2, 62, 12}, surveil.Group(surveil.OtherFistula): {2, 62, 28}, surveil.Fistula: {4, 124, 40},
		surveil.Group(surveil.Graft):            {1, 31, 5},
		surveil.Group(surveil.TunneledCatheter): {1, 31, 7}, surveil.Group(surveil.NonTunneledCatheter): {1, 31, 2},
		surveil.Group(surveil.OtherAccess): {1, 31, 1},
		// Never added to the total: 40 + 5 + 7 + 2 + 1 (form 57.503).
		surveil.AllAccess: {9, 279, 55},
	} {
		l := line(t, u, surveil.Bloodstream, g, march)
		if l.Events != want.events || l.AccessDays != want.days || l.PatientMonths != want.months || l.NoCensus != "" {
			t.Errorf("%s: %d events, %d access-days, %d patient-months (%s), want %+v", g, l.Events, l.AccessDays, l.PatientMonths,
				l.NoCensus, want)
		}
	}
	if l := line(t, u, surveil.Bloodstream, surveil.Group(surveil.Unknown), march); l.Events != 1 || l.AccessDays != 31 ||
		l.PerThousand == nil || l.PerHundred != nil || l.NoCensus != "a census does not count this group" {
		t.Errorf("of whom nothing is known: %+v", l)
	}
}

func TestNoRateWithoutItsDenominator(t *testing.T) {
	u := unit(t, 10, "2026-04-01")
	happens(t, u, 0, "2026-01-31")
	happens(t, u, 0, "2026-02-28")
	full := func(m string) {
		counted(t, u, &v1.CensusCounted{Month: m, Fistula: 10, FistulaOfWhichConstantSite: 10})
	}
	for _, m := range []string{"2025-05", "2025-06", "2025-07", "2025-08", "2025-09", "2025-10", "2025-11", "2025-12",
		"2026-01", "2026-03"} {
		full(m)
	}
	// A month without a census: no rate per 100 patient-months, which says why; the one per access-days stands.
	l := line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-02")))
	if l.PerHundred != nil || l.PatientMonths != 0 || l.NoCensus != "no census for 2026-02" || l.SIR != nil || l.NoSIR != l.NoCensus ||
		l.Events != 1 || l.AccessDays != 280 {
		t.Errorf("a month without a census: %+v", l)
	}
	near(t, "its rate per 1,000 access-days", l.PerThousand.Value, 1000.0/280, 1e-9)
	// A year with such months: the numerator of twelve months is not divided by ten.
	l = line(t, u, surveil.Bloodstream, constantSite, surveil.Year(month(t, "2026-03")))
	if l.PerHundred != nil || l.NoCensus != "no census for 2025-04, 2026-02" || l.Events != 2 || l.AccessDays != 3650 {
		t.Errorf("a year without two of its censuses: %+v", l)
	}
	full("2025-04")
	full("2026-02")
	if l = line(t, u, surveil.Bloodstream, constantSite, surveil.Year(month(t, "2026-03"))); l.PatientMonths != 120 || l.NoCensus != "" {
		t.Errorf("a whole year: %+v", l)
	}
	near(t, "the rate of the year", l.PerHundred.Value, 2.0/120*100, 1e-9)
	// A month is over when its last day is: on that day events may still come.
	u.AsOf = day(t, "2026-03-31")
	if l = line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-03"))); l.PerHundred != nil ||
		l.NoCensus != "2026-03 is not over yet" || l.AccessDays != 310 {
		t.Errorf("a month that is not over: %+v", l)
	}
	u.AsOf = day(t, "2026-04-01")
	if l = line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-03"))); l.PerHundred == nil || l.AccessDays != 310 {
		t.Errorf("a month on the day after: %+v", l)
	}
	// Nothing later than today is counted.
	u.AsOf = day(t, "2026-02-27")
	if l = line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-02"))); l.Events != 0 || l.AccessDays != 270 {
		t.Errorf("an event of tomorrow: %+v", l)
	}
	// Nobody at risk, nobody counted.
	u.AsOf = day(t, "2026-04-01")
	if l = line(t, u, surveil.Bloodstream, surveil.Group(surveil.Graft), surveil.One(month(t, "2026-03"))); l.PerHundred != nil ||
		l.PerThousand != nil || l.NoCensus != "the census counts nobody" {
		t.Errorf("nobody with a graft: %+v", l)
	}
}

func TestDenominatorsThatDisagree(t *testing.T) {
	for _, c := range []struct {
		says         string
		there, count int
		want         bool
	}{
		{"both the same", 20, 20, false},
		{"two patients of twenty are 10 %, and not more than two", 20, 18, false},
		{"two of five are 40 %, but two", 5, 3, false},
		{"three of five", 5, 2, true},
		{"three of thirty are 10 %, not more", 30, 27, false},
		{"four of thirty", 30, 26, true},
		{"three of twenty-nine are more than 10 %", 29, 26, true},
		{"more counted than there were", 26, 29, true},
		{"more counted, three of thirty", 27, 30, false},
	} {
		u := unit(t, c.there, "2026-04-01")
		counted(t, u, &v1.CensusCounted{Month: "2026-03", Fistula: uint32(c.count), FistulaOfWhichConstantSite: uint32(c.count)})
		found := false
		for _, d := range u.Disagreements(month(t, "2026-03")) {
			if d.Group == constantSite {
				found = true
				if d.Census != c.count || d.Record != c.there {
					t.Errorf("%s: %+v", c.says, d)
				}
			}
		}
		if found != c.want {
			t.Errorf("%s: disagree %v, want %v", c.says, found, c.want)
		}
	}
	// The record is that of the days of the census: who came or left later in the month is no
	// disagreement, and who was there on either of its days is counted once.
	u := unit(t, 30, "2026-04-01")
	for i := range 10 {
		u.People[i].Exposures[0].To = day(t, "2026-03-04")
	}
	for i := 10; i < 15; i++ {
		u.People[i].Exposures[0].From = day(t, "2026-03-20")
	}
	counted(t, u, &v1.CensusCounted{Month: "2026-03", CountedOn: []string{"2026-03-02", "2026-03-03"}, Fistula: 25,
		FistulaOfWhichConstantSite: 25})
	if d := u.Disagreements(month(t, "2026-03")); len(d) != 0 {
		t.Errorf("ten left and five came after the census: %+v", d)
	}
	counted(t, u, &v1.CensusCounted{Month: "2026-03", CountedOn: []string{"2026-03-03", "2026-03-05"}, Fistula: 25,
		FistulaOfWhichConstantSite: 25})
	if d := u.Disagreements(month(t, "2026-03")); len(d) != 0 {
		t.Errorf("ten left between its days: %+v", d)
	}
	counted(t, u, &v1.CensusCounted{Month: "2026-03", CountedOn: []string{"2026-03-30", "2026-03-31"}, Fistula: 25,
		FistulaOfWhichConstantSite: 25})
	if d := u.Disagreements(month(t, "2026-03")); len(d) == 0 || d[0].Record != 20 {
		t.Errorf("25 counted of 20: %+v", d)
	}
	// A technique that changed between its days is that of the latest.
	u = unit(t, 20, "2026-04-01")
	for i := range 8 {
		u.People[i].Exposures = []surveil.Exposure{{Facility: east, Technique: surveil.OtherFistula, From: day(t, "2026-01-01"),
			To: day(t, "2026-03-03")}, {Facility: east, Technique: surveil.ConstantSite, From: day(t, "2026-03-03"), To: -surveil.First}}
	}
	counted(t, u, &v1.CensusCounted{Month: "2026-03", CountedOn: []string{"2026-03-02", "2026-03-03"}, Fistula: 20,
		FistulaOfWhichConstantSite: 20})
	if d := u.Disagreements(month(t, "2026-03")); len(d) != 0 {
		t.Errorf("eight began that day: %+v", d)
	}
	// A month that is not over, or has no census, is not compared.
	u = unit(t, 30, "2026-03-01")
	counted(t, u, &v1.CensusCounted{Month: "2026-03", Fistula: 3, FistulaOfWhichConstantSite: 3})
	if d := u.Disagreements(month(t, "2026-03")); len(d) != 0 {
		t.Errorf("a month that is not over: %+v", d)
	}
	if d := u.Disagreements(month(t, "2026-01")); len(d) != 0 {
		t.Errorf("a month without a census: %+v", d)
	}
}

func TestTheFirstTwoWorkingDays(t *testing.T) {
	week := func(days ...v1.Weekday) surveil.Calendar { return surveil.Calendar{Days: days} }
	const mon, tue, wed, thu, fri, sat = v1.Weekday_WEEKDAY_MONDAY, v1.Weekday_WEEKDAY_TUESDAY, v1.Weekday_WEEKDAY_WEDNESDAY,
		v1.Weekday_WEEKDAY_THURSDAY, v1.Weekday_WEEKDAY_FRIDAY, v1.Weekday_WEEKDAY_SATURDAY
	holiday := week(mon, tue, wed, thu, fri, sat)
	holiday.Holidays = []string{"2026-05-01"} // a Friday
	for _, c := range []struct {
		says  string
		cal   surveil.Calendar
		month string
		want  string
	}{
		{"Monday to Saturday; a Friday is the first", week(mon, tue, wed, thu, fri, sat), "2026-05", "[2026-05-01 2026-05-02]"},
		// The first two weekdays would be Friday and Monday: nobody of this unit's Tuesday-Thursday-Saturday patients would be counted.
		{"a unit that dialyses on Tuesday, Thursday and Saturday", week(tue, thu, sat), "2026-05", "[2026-05-02 2026-05-05]"},
		{"a holiday is no working day", holiday, "2026-05", "[2026-05-02 2026-05-04]"},
		{"a Sunday is none for a unit that is closed", week(mon, wed, fri), "2026-03", "[2026-03-02 2026-03-04]"},
		{"a unit that dialyses every day", surveil.Calendar{}, "2026-03", "[2026-03-01 2026-03-02]"},
		{"on Sundays too", week(v1.Weekday_WEEKDAY_SUNDAY, tue), "2026-03", "[2026-03-01 2026-03-03]"},
	} {
		if got := fmt.Sprint(c.cal.CensusDays(month(t, c.month))); got != c.want {
			t.Errorf("%s: %s, want %s", c.says, got, c.want)
		}
	}
	u := unit(t, 3, "2026-07-01")
	u.Calendar = week(tue, thu, sat)
	say := func(on ...string) string {
		counted(t, u, &v1.CensusCounted{Month: "2026-05", CountedOn: on, Fistula: 3})
		return u.CensusNotice(month(t, "2026-05"))
	}
	if s := say("2026-05-02", "2026-05-05"); s != "" {
		t.Errorf("counted on the right days: %q", s)
	}
	if s := say("2026-05-05", "2026-05-02"); s != "" {
		t.Errorf("told in the other order: %q", s)
	}
	if s, want := say("2026-05-01", "2026-05-04"),
		"The census of 2026-05 was counted on 2026-05-01 and 2026-05-04; the first two working days were 2026-05-02 and "+
			"2026-05-05."; s != want {
		t.Errorf("counted on Friday and Monday:\n got %q\nwant %q", s, want)
	}
	if s := say("2026-05-02"); s == "" {
		t.Error("counted on one day only, and nothing is said")
	}
	if s := u.CensusNotice(month(t, "2026-04")); s != "" {
		t.Errorf("without a census: %q", s)
	}
}

func TestReferenceRates(t *testing.T) {
	rate := func(k v1.AccessKind, p v1.NeedlingPattern, c v1.InfectionClass, r float64) *v1.ReferenceRate {
		return &v1.ReferenceRate{AccessKind: k, Pattern: p, InfectionClass: c, Per_100PatientMonths: r, Basis: "invented"}
	}
	const bloodstream, related = v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM, v1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM
	const any, constant, ladder = v1.NeedlingPattern_NEEDLING_PATTERN_UNSPECIFIED, v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER
	find := func(refs []surveil.Reference, tech surveil.Technique, c surveil.Class) (rates []float64) {
		for _, r := range refs {
			if r.Technique == tech && r.Class == c {
				rates = append(rates, r.Rate)
			}
		}
		return rates
	}
	// National levels of 2014: fistula 0.26, graft 0.39, catheter 2.16 (Nguyen and others, CJASN 2017;12:1139).
	general := []*v1.ReferenceRate{rate(fistula, any, bloodstream, 0.26), rate(graft, any, bloodstream, 0.39),
		rate(tunneled, any, bloodstream, 2.16)}
	refs := surveil.References(general)
	for tech, want := range map[surveil.Technique]float64{surveil.ConstantSite: 0.26, surveil.OtherFistula: 0.26, surveil.Graft: 0.39,
		surveil.TunneledCatheter: 2.16} {
		if got := find(refs, tech, surveil.Bloodstream); len(got) != 1 || got[0] != want {
			t.Errorf("%s: %v, want %v", tech, got, want)
		}
	}
	// A rate for the pattern goes before the general one, wherever it stands in the list, for its class only.
	for _, list := range [][]*v1.ReferenceRate{append([]*v1.ReferenceRate{rate(fistula, constant, bloodstream, 0.5)}, general...),
		append(general, rate(fistula, constant, bloodstream, 0.5))} {
		refs = surveil.References(append(list, rate(fistula, any, related, 0.2)))
		if a, b, c := find(refs, surveil.ConstantSite, surveil.Bloodstream), find(refs, surveil.OtherFistula, surveil.Bloodstream),
			find(refs, surveil.ConstantSite, surveil.AccessRelated); fmt.Sprint(a, b, c) != "[0.5] [0.26] [0.2]" {
			t.Errorf("the specific before the general: %v %v %v", a, b, c)
		}
	}
	if got := find(surveil.References([]*v1.ReferenceRate{rate(fistula, ladder, bloodstream, 0.3)}), surveil.OtherFistula,
		surveil.Bloodstream); fmt.Sprint(got) != "[0.3]" {
		t.Errorf("rope ladder is other needling: %v", got)
	}
	if got := surveil.References([]*v1.ReferenceRate{rate(fistula, any, v1.InfectionClass_INFECTION_CLASS_UNSPECIFIED,
		0.3)}); len(got) != 0 {
		t.Errorf("a class that is not known: %v", got)
	}
}

func TestStandardisedInfectionRatio(t *testing.T) {
	u := unit(t, 10, "2027-01-01")
	year := surveil.Year(month(t, "2026-12"))
	for m := year.From; m <= year.To; m++ {
		counted(t, u, &v1.CensusCounted{Month: m.String(), Fistula: 10, FistulaOfWhichConstantSite: 4})
	}
	for i := range 4 {
		happens(t, u, i, "2026-06-15")
	}
	if l := line(t, u, surveil.Bloodstream, surveil.Fistula, year); l.SIR != nil ||
		l.NoSIR != "no reference rate is registered for constant-site" {
		t.Errorf("without references: %+v %q", l.SIR, l.NoSIR)
	}
	u.References = []surveil.Reference{{Technique: surveil.ConstantSite, Class: surveil.Bloodstream, Rate: 1},
		{Technique: surveil.OtherFistula, Class: surveil.Bloodstream, Rate: 1}}
	// 120 patient-months at 1 per 100 predict 1.2; observed 4: 3.333, exact 0.908 to 8.535,
	// mid-P 1.059 to 8.040, P(X ≥ 4) = 0.03377 (computed independently).
	l := line(t, u, surveil.Bloodstream, surveil.Fistula, year)
	if l.SIR == nil {
		t.Fatalf("no ratio: %s", l.NoSIR)
	}
	near(t, "the ratio", l.SIR.Value, 3.3333, 1e-4)
	near(t, "exact lower", l.SIR.Exact.Lower, 0.908, 5e-4)
	near(t, "exact upper", l.SIR.Exact.Upper, 8.535, 5e-4)
	near(t, "mid-P lower", l.SIR.MidP.Lower, 1.059, 5e-4)
	near(t, "mid-P upper", l.SIR.MidP.Upper, 8.040, 5e-4)
	near(t, "P(X ≥ 4)", l.SIR.Test.AtLeast, 0.03377, 5e-6)
	// Constant-site patients alone have 48 patient-months: 0.48 predicted, no ratio.
	if l = line(t, u, surveil.Bloodstream, constantSite, year); l.SIR != nil ||
		l.NoSIR != "only 0.48 events predicted; a ratio to fewer than 1 says nothing" {
		t.Errorf("below one predicted: %+v %q", l.SIR, l.NoSIR)
	}
	// Both sides of one predicted.
	u.References[0].Rate, u.References[1].Rate = 1, 52.0/72
	if l = line(t, u, surveil.Bloodstream, surveil.Fistula, year); l.SIR == nil {
		t.Errorf("one predicted: %q", l.NoSIR)
	}
	u.References[1].Rate = 51.9 / 72
	if l = line(t, u, surveil.Bloodstream, surveil.Fistula, year); l.SIR != nil {
		t.Error("less than one predicted, and a ratio is shown")
	}
}

// The count of S. aureus and other published figures, through the unit's own types.
func TestPublishedFigures(t *testing.T) {
	// 9 bacteraemias at 0.073 per 1,000 fistula-days (O'Brien and others, Clin Kidney J
	// 2012;5:526) are about 123,288 days; limits 0.0334 to 0.1386 (computed independently).
	u := unit(t, 337, "2027-01-01") // 337 years of 365 days, and 283 days
	u.People = append(u.People, surveil.Patient{Key: "rest", Person: surveil.Person{
		Exposures: []surveil.Exposure{{Facility: east, Technique: surveil.ConstantSite, From: day(t, "2026-01-01"),
			To: day(t, "2026-01-01") + 283}}}})
	for i := range 9 {
		happens(t, u, i, "2026-06-15")
	}
	l := line(t, u, surveil.Bloodstream, surveil.Fistula, surveil.Year(month(t, "2026-12")))
	if l.AccessDays != 123288 || l.Events != 9 {
		t.Fatalf("%d events in %d days", l.Events, l.AccessDays)
	}
	near(t, "the rate", l.PerThousand.Value, 0.073, 5e-5)
	near(t, "its lower limit", l.PerThousand.Exact.Lower, 0.0334, 5e-5)
	near(t, "its upper limit", l.PerThousand.Exact.Upper, 0.1386, 1e-4)

	// 8 in 93.4 against 2 in 193.5 patient-years (Nesrallah and others, CJASN 2010): 8.29,
	// exact 1.654 to 80.10, doubled one-sided p 0.005746 (computed independently), of 365.25 days.
	years := func(tech surveil.Technique, days int) (p surveil.Person) {
		for ; days > 0; days -= 365 {
			p.Exposures = append(p.Exposures, surveil.Exposure{Facility: east, Technique: tech, From: day(t, "2026-01-01"),
				To: day(t, "2026-01-01") + surveil.Day(min(days, 365))})
		}
		return p
	}
	u = &surveil.Unit{Facility: east, AsOf: day(t, "2026-12-31"), People: []surveil.Patient{
		{Key: "constant", Person: years(surveil.ConstantSite, 34114)}, {Key: "other", Person: years(surveil.OtherFistula, 70676)}}}
	for range 8 {
		happens(t, u, 0, "2026-06-15")
	}
	for range 2 {
		happens(t, u, 1, "2026-06-15")
	}
	c, err := u.Compare(surveil.Bloodstream, surveil.Year(month(t, "2026-12")))
	if err != nil || c.Ratio == nil {
		t.Fatalf("no ratio: %v %s", err, c.Why)
	}
	near(t, "the ratio of the two rates", c.Ratio.Value, 8.29, 0.005)
	near(t, "its lower limit", c.Ratio.Exact.Lower, 1.654, 0.001)
	near(t, "its upper limit", c.Ratio.Exact.Upper, 80.10, 0.05)
	near(t, "its p", c.Ratio.Test.Exact, 0.005746, 5e-6)

	// 22,576 of 29,516 bloodstream infections were access-related, 76.5 % (Nguyen and others,
	// CJASN 2017;12:1139): those from the access, of uncertain and of no assessed source.
	var p surveil.Person
	related := []v1.SuspectedSource{accessSource, uncertain, notAssessed}
	for i := range 29516 {
		source := related[i%3]
		if i >= 22576 {
			source = []v1.SuspectedSource{otherSite, contamination}[i%2]
		}
		p.Events = append(p.Events, surveil.Event{Kind: surveil.BloodCulture, Facility: east, Counted: true, Source: source,
			Technique: surveil.ConstantSite, Day: day(t, "2026-06-15")})
	}
	u = &surveil.Unit{Facility: east, AsOf: day(t, "2026-12-31"), People: []surveil.Patient{{Key: "all", Person: p}}}
	all := len(u.Cases(surveil.Bloodstream, surveil.AllAccess, surveil.First, u.AsOf))
	share := float64(len(u.Cases(surveil.AccessRelated, surveil.AllAccess, surveil.First, u.AsOf))) / float64(all)
	if near(t, "the share of access-related ones", 100*share, 76.5, 0.05); all != 29516 {
		t.Errorf("%d bloodstream infections", all)
	}
}

func TestComparisonsThatCannotBeMade(t *testing.T) {
	p := surveil.One(month(t, "2026-03"))
	why := func(u *surveil.Unit) string {
		t.Helper()
		c, err := u.Compare(surveil.Bloodstream, p)
		if err != nil || c.Ratio != nil {
			t.Errorf("a ratio: %+v %v", c.Ratio, err)
		}
		return c.Why
	}
	u := unit(t, 2, "2026-05-01")
	if got := why(u); got != "every fistula was needled at constant sites" {
		t.Error(got)
	}
	u.People[1].Exposures[0].Technique = surveil.OtherFistula
	if got := why(u); got != "there was no event in either group" {
		t.Error(got)
	}
	u.People[0].Exposures[0].Technique = surveil.OtherFistula
	if got := why(u); got != "nobody was needled at constant sites" {
		t.Error(got)
	}
	// No event in the second group: the ratio has no upper limit.
	u = unit(t, 2, "2026-05-01")
	u.People[1].Exposures[0].Technique = surveil.OtherFistula
	happens(t, u, 0, "2026-03-05")
	c, err := u.Compare(surveil.Bloodstream, p)
	if err != nil || c.Ratio == nil || !math.IsInf(c.Ratio.Exact.Upper, 1) {
		t.Errorf("no event in the second group: %+v %v", c.Ratio, err)
	}
}

func TestWhatIsDoubtfulIsListed(t *testing.T) {
	u := unit(t, 1, "2026-05-01")
	p := patient(t).at("2026-03-01", admitted()).culture("2026-03-02", outpatient).culture("2026-03-05", outpatient).
		culture("2026-03-31", nowhere).culture("2026-04-25", outpatient)
	u.People[0].Person = p.fold()
	u.People = append(u.People, surveil.Patient{Key: "unknown here", Person: patient(t).culture("2026-03-15", outpatient).fold()})
	var got []string
	for _, c := range u.Doubtful(surveil.One(month(t, "2026-03"))) {
		got = append(got, fmt.Sprintf("%s %s %v %v %s", c.Patient, c.Day, c.Counted, c.Outside, c.Why))
	}
	want := []string{
		"p000 2026-03-05 false false less than 21 days after the previous positive blood culture",
		"unknown here 2026-03-15 true true ",
		"p000 2026-03-31 true false where it was collected is not recorded",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestTimeBetweenEventsAndSize(t *testing.T) {
	u := unit(t, 4, "2026-04-15")
	u.People[3].Exposures[0].From = day(t, "2026-03-01") // there for 31 of 90 days
	for i, on := range []string{"2026-03-10", "2026-01-01", "2026-05-01"} {
		happens(t, u, i, on)
	}
	happens(t, u, 0, "2026-03-13")
	if got := fmt.Sprint(u.Gaps(surveil.Bloodstream, constantSite)); got != "[68 3]" {
		t.Errorf("days between events %s, want [68 3]: oldest first, none after today", got)
	}
	// The three months before this one: 3 × 90 + 31 days in 90.
	near(t, "the average number of patients", u.Size(surveil.ConstantSite, 3), float64(3*90+31)/90, 1e-12)
}

func TestNothingCountsBeforeTheFirstTreatmentOnRecord(t *testing.T) {
	u := unit(t, 2, "2026-04-01")
	happens(t, u, 0, "2026-03-09")
	happens(t, u, 1, "2026-03-10")
	march := surveil.One(month(t, "2026-03"))
	u.Since = surveil.First
	if l := line(t, u, surveil.Bloodstream, constantSite, march); l.Events != 2 || l.AccessDays != 62 {
		t.Errorf("until a treatment is on record everything counts: %+v", l)
	}
	u.Since = day(t, "2026-03-10")
	if l := line(t, u, surveil.Bloodstream, constantSite, march); l.Events != 1 || l.AccessDays != 44 {
		t.Errorf("%d events in %d access-days, want that of the 10th in 2 × 22", l.Events, l.AccessDays)
	}
	if l := line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, "2026-02"))); l.AccessDays != 0 || l.PerThousand != nil {
		t.Errorf("a month before the record: %+v", l)
	}
}

// What comes before the first treatment on record is not known; a census of it would make
// a rate of no infections out of that.
func TestAMonthThatIsNotWhollyOnRecordHasNoRate(t *testing.T) {
	const begins = "the record begins on "
	for _, c := range []struct {
		says, since, month string
		want               string // why there is no rate
	}{
		{"from the first of the month on", "2026-01-01", "2026-01", ""},
		{"the unit is closed on the first three days: a holiday and a weekend it has off", "2026-05-04", "2026-05", ""},
		{"it was open on the first, of which nothing is on record", "2026-04-02", "2026-04",
			begins + "2026-04-02, and a census of 2026-04 is of the whole month"},
		{"since the middle of the month", "2026-04-16", "2026-04", begins + "2026-04-16, and a census of 2026-04 is of the whole month"},
		{"a month before the record", "2026-05-04", "2026-04", begins + "2026-05-04, and a census of 2026-04 is of the whole month"},
		{"a month after it", "2026-04-16", "2026-05", ""},
		{"until a treatment is on record everything counts", "", "2026-04", ""},
	} {
		u := unit(t, 10, "2026-06-30")
		u.Calendar = surveil.Calendar{Holidays: []string{"2026-05-01"}, Days: []v1.Weekday{1, 2, 3, 4, 5}}
		u.Since = surveil.First
		if c.since != "" {
			u.Since = day(t, c.since)
		}
		happens(t, u, 0, "2026-04-20")
		counted(t, u, &v1.CensusCounted{Month: c.month, Fistula: 5, FistulaOfWhichConstantSite: 5})
		l := line(t, u, surveil.Bloodstream, constantSite, surveil.One(month(t, c.month)))
		if l.NoCensus != c.want || (l.PerHundred == nil) != (c.want != "") || (l.PatientMonths == 0) != (c.want != "") || l.SIR != nil ||
			c.want != "" && l.NoSIR != c.want {
			t.Errorf("%s: %d patient-months, %+v, %q, want %q", c.says, l.PatientMonths, l.PerHundred, l.NoCensus, c.want)
		}
		// Nor are its denominators compared: half a month of access-days is no error of the census.
		if d := u.Disagreements(month(t, c.month)); (len(d) == 0) != (c.want != "") &&
			c.says != "until a treatment is on record everything counts" {
			t.Errorf("%s: %+v", c.says, d)
		}
	}
	// A year with such a month.
	u := unit(t, 10, "2027-01-01")
	u.Since = day(t, "2026-01-05")
	for m := month(t, "2026-01"); m <= month(t, "2026-12"); m++ {
		counted(t, u, &v1.CensusCounted{Month: m.String(), Fistula: 10, FistulaOfWhichConstantSite: 10})
	}
	if l := line(t, u, surveil.Bloodstream, constantSite, surveil.Year(month(t, "2026-12"))); l.PerHundred != nil || l.PerThousand == nil ||
		l.NoCensus != begins+"2026-01-05, and a census of 2026-01 is of the whole month" {
		t.Errorf("a year of which the record has all but four days: %+v", l)
	}
}

func TestWhatIsDoubtfulTomorrowIsNotListedToday(t *testing.T) {
	u := unit(t, 1, "2026-03-14")
	u.People[0].Person = patient(t).at("2026-03-01", admitted()).culture("2026-03-15", nowhere).fold()
	if got := u.Doubtful(surveil.One(month(t, "2026-03"))); len(got) != 0 {
		t.Errorf("%+v", got)
	}
	u.AsOf++
	if got := u.Doubtful(surveil.One(month(t, "2026-03"))); len(got) != 1 {
		t.Errorf("%d on its day, want 1", len(got))
	}
}
