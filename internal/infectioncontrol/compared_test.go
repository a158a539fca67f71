package infectioncontrol

import (
	"context"
	"encoding/json"
	"fmt"
	stdhtml "html"
	"math"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// words is a page without its marks, a blank between words.
func words(t testing.TB, r *Report) string {
	t.Helper()
	return strings.Join(strings.Fields(stdhtml.UnescapeString(blocks.ReplaceAllString(html(t, r), " "))), " ")
}

func says(t testing.TB, what, text string, want ...string) {
	t.Helper()
	for _, s := range want {
		if !strings.Contains(text, s) {
			t.Errorf("%s does not say %q", what, s)
		}
	}
}

func TestTheComparisonOfTechniquesSaysThatItIsUnadjusted(t *testing.T) {
	r := made(t)
	want := []string{"This comparison is not adjusted, and the patients are not alike", "not that the technique caused them",
		"2.6 times (2.4–2.8)", "1.5 times (1.4–1.6)", "Lyman and others, AJKD 2020;76:82"}
	for form, text := range everything(t, r) {
		says(t, "the "+form, text, want...)
	}
}

// fistulas is a unit that needles at constant sites and otherwise, with a published rate of
// all fistulas.
func fistulas(t testing.TB) *surveil.Watch {
	t.Helper()
	w := bare(t, "fistulas", 20, surveil.ConstantSite, "2024-01-01", "2027-02-10")
	add(t, w, 20, surveil.OtherFistula)
	national := func(class cannularyv1.InfectionClass, v float64) *cannularyv1.ReferenceRate {
		return &cannularyv1.ReferenceRate{AccessKind: cannularyv1.AccessKind_ACCESS_KIND_FISTULA, InfectionClass: class,
			Per_100PatientMonths: v, Basis: "all fistulas of one country, 2014"}
	}
	w.References = surveil.References([]*cannularyv1.ReferenceRate{
		national(cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM, 0.26),
		national(cannularyv1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM, 0.2),
	})
	return w
}

func TestAReferenceSaysWhatItIsARateOf(t *testing.T) {
	r := report(t, fistulas(t), "2027-01", Knowledge{})
	page := words(t, r)
	says(t, "the page", page,
		"Source, as registered: all fistulas of one country, 2014",
		"It is a rate of all fistulas, with any needling. It is not a rate of constant-site needling.",
		"It is a rate of all fistulas, constant-site ones included")
	own := &cannularyv1.ReferenceRate{AccessKind: cannularyv1.AccessKind_ACCESS_KIND_FISTULA,
		Pattern:        cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		InfectionClass: cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM, Per_100PatientMonths: 0.7, Basis: "invented"}
	w := fistulas(t)
	w.References = surveil.References([]*cannularyv1.ReferenceRate{own})
	says(t, "the page", words(t, report(t, w, "2027-01", Knowledge{})), "It is a rate registered for constant-site needling alone", "0.7")
}

// A rate of all fistulas is a mixture: with a share s of constant-site patients and a ratio of
// 2.6, theirs is 2.6 times the mixture by 1 + 1.6 s, which lies between the mixture (s = 1) and
// 2.6 times it (s = 0). Worked by hand for 0.2: 0.2 to 0.52.
func TestAConstantSiteReferenceStandsBesideThatOfAllFistulas(t *testing.T) {
	r := report(t, fistulas(t), "2027-01", Knowledge{})
	seen := 0
	for _, x := range r.References {
		switch {
		case x.Technique == surveil.ConstantSite && x.Class == surveil.AccessRelated:
			seen++
			if c := x.ConstantSite; c == nil || c.Lower != 0.2 || math.Abs(c.Upper-0.52) > 1e-9 {
				t.Errorf("%+v", c)
			}
			for _, s := range []float64{0, 0.1, 0.5, 1} {
				if v := 2.6 * 0.2 / (1 + 1.6*s); v < x.ConstantSite.Lower-1e-9 || v > x.ConstantSite.Upper+1e-9 {
					t.Errorf("with a share of %v constant-site patients it is %v", s, v)
				}
			}
		case x.ConstantSite != nil:
			t.Errorf("%s, %s: no ratio was published for it, and it has %+v", x.Technique, x.Class, x.ConstantSite)
		}
	}
	if seen != 1 {
		t.Fatalf("%+v", r.References)
	}
	says(t, "the page", words(t, r), "between 0.2 and 0.52 per 100 patient-months",
		"A constant-site reference: none is known for this class.")
}

// Three infections in 20 × 365 access-days are 3 in 239.8 patient-months of 30.44 days: 1.251 per
// 100; by Garwood's 0.6187 and 8.7673 the limits are 0.258 and 3.656.
func TestTheUnitsOwnBaselineStandsBesideTheReference(t *testing.T) {
	w := fistulas(t)
	for i, on := range []string{"2025-03-01", "2025-07-01", "2025-11-01"} {
		happens(t, w, i, on, bacteraemia())
	}
	happens(t, w, 4, "2024-05-01", bacteraemia()) // before the twelve months
	happens(t, w, 5, "2026-12-01", bacteraemia()) // in the report's year
	r := report(t, w, "2027-01", Knowledge{})
	i := slices.IndexFunc(r.References, func(x ReferenceRate) bool {
		return x.Technique == surveil.ConstantSite && x.Class == surveil.AccessRelated
	})
	b := r.References[i].Baseline
	if b.Events != 3 || b.AccessDays != 20*365 || b.Rate == nil || math.Abs(b.Rate.Value-1.25096) > 1e-4 ||
		math.Abs(b.Rate.Exact.Lower-0.25800) > 1e-4 || math.Abs(*b.Rate.Exact.Upper-3.65580) > 1e-3 {
		t.Errorf("%+v %+v", b, b.Rate)
	}
	says(t, "the page", words(t, r),
		"The unit's own baseline, 2025-02 to 2026-01: 1.25 (0.26–3.66) per 100 patient-months, 3 events in 7300 access-days.",
		"It is usual only where nothing was wrong then.")
	young := bare(t, "young", 20, surveil.ConstantSite, "2026-06-01", "2027-02-10")
	young.References = w.References
	says(t, "the page", words(t, report(t, young, "2027-01", Knowledge{})),
		"The unit's own baseline: none, nobody was at risk on record in 2025-02 to 2026-01.")
}

func TestWhoComputesAThresholdIsToldWhatTheReferenceIs(t *testing.T) {
	w := fistulas(t)
	s := &Service{Watch: func(context.Context) ([]*surveil.Watch, error) { return []*surveil.Watch{w}, nil }}
	ask := ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated, RateRatio: 2, InControlMonths: 120}
	got, err := s.Threshold(t.Context(), ask)
	if err != nil {
		t.Fatal(err)
	}
	says(t, "the answer", strings.Join(got.Beside.Says, " "), "all fistulas, with any needling. It is not a rate of constant-site needling.",
		"The unit's own baseline, 2026-02 to 2027-01: 0.00 (0.00–1.54) per 100 patient-months, 0 events", "between 0.2 and 0.52")
	ask.Reference = 0.4
	if got, err = s.Threshold(t.Context(), ask); err != nil {
		t.Fatal(err)
	}
	says(t, "the answer", strings.Join(got.Beside.Says, " "),
		"Nobody registered what it is a rate of: it was given with the request.", "this figure cannot give one")
}

// Of 0 events the upper exact limit is 3.6889 (Garwood 1936).
func TestABareNoughtNeverStandsWithoutItsUpperLimit(t *testing.T) {
	w := fistulas(t)
	happens(t, w, 0, "2026-03-01", bacteraemia())
	r := report(t, w, "2027-01", Knowledge{})
	page := html(t, r)
	for _, cell := range []string{"events", "month", "year", "of which constant-site", "constant-site", "other", "year before"} {
		found := 0
		for _, part := range strings.Split(page, `data-label="`+cell+`">`)[1:] {
			text := strings.Join(strings.Fields(blocks.ReplaceAllString(part[:strings.Index(part, "</td>")], " ")), " ")
			if text != "0" && !strings.HasPrefix(text, "0 ") {
				continue
			}
			found++
			if !strings.Contains(text, "up to 3.69") && !strings.Contains(text, "nobody was at risk") {
				t.Errorf("%s: %q", cell, text)
			}
		}
		if found == 0 {
			t.Errorf("no 0 among the cells %q", cell)
		}
	}
	rows := table(t, r)
	found := 0
	for _, row := range rows[1:] {
		if row[5] == "events" && row[6] == "0" {
			if found++; row[7] != "0" || !strings.HasPrefix(row[8], "3.688") {
				t.Errorf("the file has a bare 0: %q", row)
			}
		}
	}
	if found < 20 {
		t.Errorf("%d counts of 0 in the file", found)
	}
	// Nobody infected in either group: the limits of both rates, 3.6889 in 20 × 365 days.
	says(t, "the page", words(t, report(t, fistulas(t), "2027-01", Knowledge{})),
		"No ratio: there was no event in either group. No event fits up to 0.51 per 1,000 access-days with constant-site needling and "+
			"up to 0.51 with other needling.")
}

func TestACensusThatCountsNobodyIsKnown(t *testing.T) {
	w := bare(t, "counted", 20, surveil.OtherFistula, "2026-01-01", "2027-02-10")
	for m := month(t, "2026-02"); m <= month(t, "2027-01"); m++ {
		census(t, w, m.String(), 20, 0, 0, 0)
	}
	happens(t, w, 0, "2026-03-01", surveil.Event{Kind: surveil.BloodCulture, Counted: true, Technique: surveil.TunneledCatheter})
	r := report(t, w, "2027-01", Knowledge{})
	x := r.find(t, surveil.AccessRelated, surveil.Group(surveil.TunneledCatheter), WindowMonth)
	if x.PatientMonths == nil || *x.PatientMonths != 0 || x.PerHundred != nil || x.NoPerHundred != "the census counts nobody" {
		t.Errorf("%+v", x)
	}
	if page := words(t, r); strings.Contains(page, "not known none: the census counts nobody") {
		t.Error("a census of 0 reads as not known")
	}
	w.Censuses = map[surveil.Month]surveil.Census{}
	if x := report(t, w, "2027-01", Knowledge{}).find(t, surveil.AccessRelated, surveil.AllAccess, WindowMonth); x.PatientMonths != nil {
		t.Errorf("without a census there are %d patient-months", *x.PatientMonths)
	}
}

func TestTheFunnelSaysThatTheUnitIsPartOfItsOwnExpectation(t *testing.T) {
	north, south := bare(t, "north", 30, surveil.ConstantSite, "2026-01-05", "2027-06-08"), bare(t, "south", 90, surveil.ConstantSite,
		"2026-01-05", "2027-06-08")
	happens(t, north, 0, "2027-03-01", bacteraemia())
	r, err := makeReport(north, []*surveil.Watch{north, south}, month(t, "2027-05"), Knowledge{})
	if err != nil {
		t.Fatal(err)
	}
	says(t, "the page", words(t, &r), "Each facility is part of its own expectation, so it looks less apart than it is.",
		"Of all access-days behind the expectation 25 % are this facility's own.")
	says(t, "the page", words(t, &r), "south 0 up to 3.69 0.75 ", "south 0 up to 3.69 0.00 none none almost nothing is expected")
}

// 6 in 20 × 365 days against 2 in as many: given the total of 8 each falls on either year with
// one half, so p is twice the 37 ways of 256 in which 6 or more do; by Clopper and Pearson the
// share lies between 0.3491 and 0.9681, the ratio between 0.5364 and 30.39.
func TestThisYearAgainstLastYearByTheExactRateRatio(t *testing.T) {
	w := fistulas(t)
	for i, on := range []string{"2025-03-01", "2025-10-01", "2026-02-01", "2026-04-01", "2026-06-01", "2026-08-01", "2026-10-01",
		"2027-01-31"} {
		happens(t, w, i, on, bacteraemia())
	}
	happens(t, w, 8, "2025-01-31", bacteraemia()) // the day before the year before
	happens(t, w, 9, "2027-02-01", bacteraemia()) // the day after the year
	r := report(t, w, "2027-01", Knowledge{})
	of := func(r *Report, c surveil.Class, g surveil.Group) YearBefore {
		for _, y := range r.YearsBefore {
			if y.Class == c && y.Group == g {
				return y
			}
		}
		t.Fatalf("no %s of %s", c, g)
		return YearBefore{}
	}
	y := of(r, surveil.AccessRelated, surveil.Group(surveil.ConstantSite))
	if y.Events != 6 || y.BeforeEvents != 2 || y.AccessDays != 7300 || y.BeforeAccessDays != 7300 || y.Ratio == nil || *y.Ratio != 3 ||
		y.MoreThanByChance ||
		math.Abs(*y.P-2*37.0/256) > 1e-6 || math.Abs(y.Exact.Lower-0.5364) > 1e-3 || math.Abs(*y.Exact.Upper-30.39) > 0.05 {
		t.Errorf("%+v %+v", y, y.Exact)
	}
	says(t, "the page", words(t, r), "The year had 3.00 times the rate of the year before; that fits anything from 0.54 to 30.3",
		"so no difference is shown, and none is excluded (p = 0.289).")
	if y := of(r, surveil.LocalAccess, surveil.AllAccess); y.Ratio != nil || !strings.HasPrefix(y.Says,
		"No ratio: there was no event in either group. No event fits up to 0.25 per 1,000 access-days in the year and up to 0.25 in the "+
			"year before.") {
		t.Errorf("%+v", y)
	}
	part := bare(t, "part", 20, surveil.ConstantSite, "2026-01-02", "2027-02-10")
	happens(t, part, 0, "2026-01-10", bacteraemia())
	if y := of(report(t, part, "2027-01", Knowledge{}), surveil.AccessRelated, surveil.AllAccess); y.BeforeAccessDays != 600 ||
		!strings.HasSuffix(y.Says, " Of the year before 30 days of 365 are on record.") {
		t.Errorf("%+v", y)
	}
	young := bare(t, "young", 20, surveil.ConstantSite, "2026-06-01", "2027-02-10")
	if y := of(report(t, young, "2027-01", Knowledge{}), surveil.AccessRelated,
		surveil.AllAccess); y.Says != "No ratio: the record does not reach into the year before." {
		t.Errorf("%+v", y)
	}
}

// An examination and a surveillance message tell of the same redness; the next day's is
// another look at it.
func TestCasesDoNotRepeatOneDaysSigns(t *testing.T) {
	w := bare(t, "seen twice", 3, surveil.ConstantSite, "2026-01-01", "2027-02-10")
	again := "less than 21 days after the previous signs"
	for i, e := range []surveil.Event{{Counted: true, Tracks: []string{"V"}},
		{Why: again, Tracks: []string{"A", "V"}, Outcome: surveil.Outcome{Death: 2}}, {Why: again}} {
		e.Kind = surveil.SiteSigns
		happens(t, w, 0, []string{"2027-01-04", "2027-01-04", "2027-01-05"}[i], e)
		w.People[0].Events[i].Fact = fmt.Sprint("f", i)
	}
	happens(t, w, 1, "2027-01-04", surveil.Event{Kind: surveil.SiteSigns, Counted: true})
	happens(t, w, 0, "2027-01-04", surveil.Event{Kind: surveil.BloodCulture, Counted: true})
	r := report(t, w, "2027-01", Knowledge{})
	var got []string
	for _, c := range r.Cases {
		got = append(got, fmt.Sprint(c.No, " ", c.Day, " ", c.What, " ", c.Patient, " ", c.Tracks, " ", c.WhyNot))
	}
	want := []string{"1 2027-01-04 positive blood culture 1 [] ",
		"2 2027-01-04 pus, redness or swelling at an access site 1 [1.1 1.2] ",
		"3 2027-01-04 pus, redness or swelling at an access site 2 [] ",
		"4 2027-01-05 pus, redness or swelling at an access site 1 [] " + again}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if o := r.Cases[1].Outcome; !strings.HasSuffix(o, "death: no") {
		t.Errorf("the outcome of the second message of the day is lost: %q", o)
	}
	data, err := json.Marshal(r.Cases)
	if err != nil || strings.Count(string(data), "2027-01-04") != 3 {
		t.Errorf("%v %s", err, data)
	}
}

// What form 57.502 asks for stands in the list of cases, in each of the report's forms; what
// nobody told is said to be so.
func TestTheListOfCasesHasWhatTheEventFormAsksFor(t *testing.T) {
	w := bare(t, "formed", 20, surveil.ConstantSite, "2026-01-01", "2027-02-10")
	const no, yes, unknown = cannularyv1.Answer_ANSWER_NO, cannularyv1.Answer_ANSWER_YES, cannularyv1.Answer_ANSWER_UNKNOWN
	e := bacteraemia()
	e.Tested = []surveil.Tested{{Organism: aureus, Agent: "Oxacillin",
		Result: cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT},
		{Organism: aureus, Agent: "Vancomycin", Result: cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE}}
	e.Outcome = surveil.Outcome{HospitalStay: yes, AccessLost: no, Death: unknown}
	happens(t, w, 0, "2027-01-04", e)
	happens(t, w, 0, "2027-01-05", surveil.Event{Kind: surveil.Course, Counted: true, Vancomycin: yes, CultureTaken: no})
	happens(t, w, 1, "2027-01-06", surveil.Event{Kind: surveil.Course, Counted: true, Outcome: surveil.Outcome{Death: yes}})
	r := report(t, w, "2027-01", Knowledge{})
	for form, text := range map[string]string{"page": words(t, r), "file": everything(t, r)["csv"]} {
		says(t, "the "+form, text,
			"Staphylococcus aureus: Oxacillin resistant, Vancomycin susceptible",
			"stay in hospital: yes; loss of the access: no; death: unknown",
			"vancomycin: yes; blood taken for culture: no", "outcome not assessed",
			"vancomycin: not reported; blood taken for culture: not reported",
			"stay in hospital: not reported; loss of the access: not reported; death: yes")
	}
	if s := r.Cases[0].Start; s != "" {
		t.Errorf("a culture is no start: %q", s)
	}
}
