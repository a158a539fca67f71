package surveil_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
	v1 "cannulary/proto/cannulary/v1"
)

// The rules are those of the CDC NHSN Dialysis Event protocol with form 57.502, from memory
// where nothing else is said.

const (
	accessSource  = v1.SuspectedSource_SUSPECTED_SOURCE_ACCESS
	otherSite     = v1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE
	contamination = v1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION
	uncertain     = v1.SuspectedSource_SUSPECTED_SOURCE_UNCERTAIN
	notAssessed   = v1.SuspectedSource_SUSPECTED_SOURCE_UNSPECIFIED
)

func TestTwentyOneDaysBetweenCultures(t *testing.T) {
	const k = surveil.BloodCulture
	patient(t).culture("2026-03-02", outpatient).culture("2026-03-22", outpatient).counts(k, "2026-03-02", true).
		counts(k, "2026-03-22", false)
	patient(t).culture("2026-03-02", outpatient).culture("2026-03-23", outpatient).counts(k, "2026-03-02", true).
		counts(k, "2026-03-23", true)
	// Across the end of a month, of February, of a year, and the change to summer time.
	patient(t).culture("2026-01-31", outpatient).culture("2026-02-20", outpatient).counts(k, "2026-02-20", false)
	patient(t).culture("2026-01-31", outpatient).culture("2026-02-21", outpatient).counts(k, "2026-02-21", true)
	patient(t).culture("2024-02-10", outpatient).culture("2024-03-01", outpatient).counts(k, "2024-03-01", false)
	patient(t).culture("2024-02-10", outpatient).culture("2024-03-02", outpatient).counts(k, "2024-03-02", true)
	patient(t).culture("2025-12-15", outpatient).culture("2026-01-04", outpatient).counts(k, "2026-01-04", false)
	patient(t).culture("2025-12-15", outpatient).culture("2026-01-05", outpatient).counts(k, "2026-01-05", true)
	// Counted from the previous positive culture whether or not that one was an event: three
	// cultures twenty days apart are one event, the fourth a day later still is none.
	patient(t).culture("2026-03-01", outpatient).culture("2026-03-21", outpatient).culture("2026-04-10", outpatient).
		culture("2026-05-01", outpatient).
		counts(k, "2026-03-01", true).counts(k, "2026-03-21", false).counts(k, "2026-04-10", false).counts(k, "2026-05-01", true)
	// Also where the previous one was no event because of its setting.
	patient(t).at("2026-03-01", &v1.HospitalAdmission{}).culture("2026-03-10", inpatient).culture("2026-03-30", outpatient).
		counts(k, "2026-03-10", false).counts(k, "2026-03-30", false)
	// Whichever facility collected it.
	patient(t).in(north, "2026-03-02", positive(t, "2026-03-02", outpatient)).culture("2026-03-22", outpatient).
		counts(k, "2026-03-22", false)
	// A negative culture, or one of the site, starts no clock and is no event.
	negative, swab := positive(t, "2026-03-02", outpatient), positive(t, "2026-03-03", outpatient)
	negative.Growth, swab.Specimen = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE, v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE
	p := patient(t).at("2026-03-02", negative).at("2026-03-03", swab).culture("2026-03-10", outpatient).counts(k, "2026-03-10", true)
	if n := len(p.fold().Events); n != 1 {
		t.Errorf("%d events, want the one positive blood culture", n)
	}
	// The date is that of collection, not of the result.
	patient(t).culture("2026-03-02", outpatient).at("2026-03-25", positive(t, "2026-03-22", outpatient)).counts(k, "2026-03-22", false)
}

func TestDatesAreThoseOfTheFacility(t *testing.T) {
	// Collected at 23:30 and at 00:30: twenty-one dates apart, though less than 21 times 24 hours.
	patient(t).at("2026-03-02 23:50", positive(t, "2026-03-02 23:30", outpatient)).
		at("2026-03-23 00:50", positive(t, "2026-03-23 00:30", outpatient)).
		counts(surveil.BloodCulture, "2026-03-23", true)
	// Noon in UTC on the last of February is the first of March in Auckland.
	auckland, err := zone.Load("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	far := func(facility string) *time.Location {
		if facility == north {
			return auckland
		}
		return nil
	}
	p, _ := surveil.Fold(surveil.Input{Zone: far, Items: record.Effective(patient(t).
		in(north, "2026-02-28 11:30", admitted()).in(north, "2026-02-28 11:30", positive(t, "2026-02-28 10:30", outpatient)).facts)})
	if got := p.Exposures[0].From.String(); got != "2026-03-01" {
		t.Errorf("admitted on %s, want 2026-03-01", got)
	}
	if got := p.Events[0].Day.String(); got != "2026-02-28" {
		t.Errorf("collected on %s, want 2026-02-28", got)
	}
	p, _ = surveil.Fold(surveil.Input{Zone: far, Items: record.Effective(patient(t).at("2026-02-28 11:30", admitted()).facts)})
	if got := p.Exposures[0].From.String(); got != "2026-02-28" {
		t.Errorf("where no zone is known it is UTC: admitted on %s, want 2026-02-28", got)
	}
}

func TestAClockForEachKind(t *testing.T) {
	patient(t).culture("2026-03-02", outpatient).at("2026-03-03", intravenous("c")).at("2026-03-04", redness("F", "")).
		counts(surveil.BloodCulture, "2026-03-02", true).counts(surveil.Course, "2026-03-03", true).
		counts(surveil.SiteSigns, "2026-03-04", true)
}

func TestCulturesInHospital(t *testing.T) {
	const k = surveil.BloodCulture
	adm := func() *chartOf { return patient(t).at("2026-03-10", &v1.HospitalAdmission{}) }
	adm().culture("2026-03-10", inpatient).counts(k, "2026-03-10", true).why(k, "2026-03-10", "")
	adm().culture("2026-03-11", inpatient).counts(k, "2026-03-11", true).why(k, "2026-03-11", "")
	adm().culture("2026-03-12", inpatient).counts(k, "2026-03-12", false).
		why(k, "2026-03-12", "collected in hospital more than one day after admission")
	// Calendar days: late on the first day to the end of the next.
	patient(t).at("2026-03-10 00:01", &v1.HospitalAdmission{}).at("2026-03-12", positive(t, "2026-03-11 23:59", inpatient)).
		counts(k, "2026-03-11", true)
	patient(t).at("2026-03-10 23:59", &v1.HospitalAdmission{}).at("2026-03-12", positive(t, "2026-03-12 00:01", inpatient)).
		counts(k, "2026-03-12", false)
	// Across a month's end.
	patient(t).at("2026-02-28", &v1.HospitalAdmission{}).culture("2026-03-01", inpatient).counts(k, "2026-03-01", true)
	// In the emergency department, and outside, always.
	adm().culture("2026-03-14", emergency).counts(k, "2026-03-14", true).why(k, "2026-03-14", "")
	adm().culture("2026-03-14", outpatient).counts(k, "2026-03-14", true).why(k, "2026-03-14", "")
	// What is not known never makes a rate look better.
	patient(t).culture("2026-03-14", inpatient).counts(k, "2026-03-14", true).
		why(k, "2026-03-14", "collected in hospital, but no admission is on record for that date")
	patient(t).culture("2026-03-14", nowhere).counts(k, "2026-03-14", true).why(k, "2026-03-14", "where it was collected is not recorded")
	adm().culture("2026-03-14", nowhere).counts(k, "2026-03-14", true).why(k, "2026-03-14", "where it was collected is not recorded")
	// An admission that is over is none.
	adm().at("2026-03-12", &v1.HospitalDischarge{}).culture("2026-03-14", inpatient).counts(k, "2026-03-14", true).
		why(k, "2026-03-14", "collected in hospital, but no admission is on record for that date")
	adm().at("2026-03-14", &v1.HospitalDischarge{}).culture("2026-03-14", inpatient).counts(k, "2026-03-14", false)
	// Nor does an admission after it count.
	patient(t).culture("2026-03-09", inpatient).at("2026-03-10", &v1.HospitalAdmission{}).counts(k, "2026-03-09", true).
		why(k, "2026-03-09", "collected in hospital, but no admission is on record for that date")
	// A discharge that nobody told hides no later infection: the second admission has a day of its own.
	adm().at("2026-05-10", &v1.HospitalAdmission{}).culture("2026-05-11", inpatient).counts(k, "2026-05-11", true).why(k, "2026-05-11", "")
	adm().at("2026-05-10", &v1.HospitalAdmission{}).culture("2026-05-12", inpatient).counts(k, "2026-05-12", false)
	adm().at("2026-05-10", &v1.HospitalAdmission{}).at("2026-05-15", &v1.HospitalDischarge{}).culture("2026-06-12", inpatient).
		counts(k, "2026-06-12", true)
	// Discharged and admitted again on one day.
	adm().at("2026-03-20 09:00", &v1.HospitalDischarge{}).at("2026-03-20 15:00", &v1.HospitalAdmission{}).culture("2026-03-20", inpatient).
		counts(k, "2026-03-20", true)
	// One day and the next have one event, whatever the order of the messages.
	for _, order := range [][]v1.CollectionSetting{{inpatient, outpatient}, {outpatient, inpatient}} {
		p := adm().culture("2026-03-14", order[0]).culture("2026-03-14", order[1])
		var counted []bool
		for _, e := range p.fold().Events {
			counted = append(counted, e.Counted)
		}
		if !slices.Contains(counted, true) || !slices.Contains(counted, false) {
			t.Errorf("two cultures of one date, one of which may count: counted %v, want one", counted)
		}
	}
}

func TestSuspectedSources(t *testing.T) {
	const k = surveil.BloodCulture
	for _, c := range []struct {
		source                     v1.SuspectedSource
		bloodstream, accessRelated bool
	}{
		{accessSource, true, true}, {uncertain, true, true}, {notAssessed, true, true}, {otherSite, true, false},
		{contamination, true, false},
	} {
		p := patient(t).culture("2026-03-02", outpatient)
		if c.source != notAssessed {
			p.at("2026-03-05", assessed(1, c.source))
		}
		p.is(k, "2026-03-02", surveil.Bloodstream, c.bloodstream).is(k, "2026-03-02", surveil.AccessRelated, c.accessRelated).
			is(k, "2026-03-02", surveil.LocalAccess, false).is(k, "2026-03-02", surveil.Antimicrobial, false)
		if e := p.event(k, "2026-03-02"); e.Source != c.source {
			t.Errorf("source %v, want %v", e.Source, c.source)
		}
	}
	// The latest assessment stands, however late, and whenever it is told.
	patient(t).culture("2026-03-02", outpatient).at("2026-03-05", assessed(1, otherSite)).at("2026-06-05", assessed(1, accessSource)).
		is(k, "2026-03-02", surveil.AccessRelated, true)
	patient(t).culture("2026-03-02", outpatient).at("2026-06-05", assessed(1, accessSource)).at("2026-03-05", assessed(1, otherSite)).
		is(k, "2026-03-02", surveil.AccessRelated, true)
	// An assessment before its culture is known waits for it.
	patient(t).at("2026-03-05", assessed(2, otherSite)).culture("2026-03-02", outpatient).is(k, "2026-03-02", surveil.AccessRelated, false)
	// That of another positive culture of the same date stands in, not of another date, and never against one's own.
	two := func() *chartOf { return patient(t).culture("2026-03-02", outpatient).culture("2026-03-02", outpatient) }
	for _, e := range two().at("2026-03-05", assessed(2, contamination)).fold().Events {
		if e.Source != contamination {
			t.Errorf("the other culture's assessment of one date: %v", e.Source)
		}
	}
	for _, e := range two().at("2026-03-05", assessed(1, accessSource)).at("2026-03-06", assessed(2, contamination)).fold().Events {
		if want := map[bool]v1.SuspectedSource{true: accessSource, false: contamination}[e.Fact == two().facts[0].ID]; e.Source != want {
			t.Errorf("a culture's own assessment: %v, want %v", e.Source, want)
		}
	}
	patient(t).culture("2026-03-02", outpatient).culture("2026-03-03", outpatient).at("2026-03-05", assessed(2, otherSite)).
		is(k, "2026-03-02", surveil.AccessRelated, true)
	// Of several others of one date the latest assessment stands, however the facts are called.
	three := two().culture("2026-03-02", outpatient)
	three.at("2026-03-05", assessed(1, otherSite), assessed(2, otherSite)).at("2026-03-06", assessed(2, accessSource))
	for _, e := range three.fold().Events {
		if e.Fact == three.facts[2].ID && e.Source != accessSource {
			t.Errorf("the latest assessment among others: %v", e.Source)
		}
	}
	// Another one of the same patient only counts while it stands.
	gone := two()
	gone.at("2026-03-05", assessed(2, otherSite)).
		at("2026-03-06", &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: "m3"}, Reason: "invented"})
	for _, e := range gone.fold().Events {
		if e.Source != notAssessed {
			t.Errorf("an assessment that was taken back still stands: %v", e.Source)
		}
	}
}

func TestOrganismsOfADate(t *testing.T) {
	p := patient(t).at("2026-03-02", positive(t, "2026-03-02", outpatient, v1.OrganismGroup_ORGANISM_GROUP_YEAST)).
		at("2026-03-02", positive(t, "2026-03-02", outpatient, v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS,
			v1.OrganismGroup_ORGANISM_GROUP_YEAST)).
		at("2026-03-03", positive(t, "2026-03-03", outpatient, v1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS))
	for _, e := range p.fold().Events {
		want := []v1.OrganismGroup{v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS, v1.OrganismGroup_ORGANISM_GROUP_YEAST}
		if e.Day.String() == "2026-03-03" {
			want = []v1.OrganismGroup{v1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS}
		}
		if !slices.Equal(e.Organisms, want) {
			t.Errorf("%s: organisms %v, want %v", e.Day, e.Organisms, want)
		}
	}
}

func TestAntimicrobialStarts(t *testing.T) {
	const k = surveil.Course
	oral := func(course string) proto.Message {
		return &v1.AntimicrobialStarted{Course: course, Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_ORAL}
	}
	// Counted from the end of the previous course, not from its start.
	patient(t).at("2026-03-01", intravenous("a")).at("2026-03-10", ended("a")).at("2026-03-30", intravenous("b")).
		counts(k, "2026-03-01", true).counts(k, "2026-03-30", false)
	patient(t).at("2026-03-01", intravenous("a")).at("2026-03-10", ended("a")).at("2026-03-31", intravenous("b")).
		counts(k, "2026-03-31", true)
	patient(t).at("2026-02-20", intravenous("a")).at("2026-02-25", ended("a")).at("2026-03-17", intravenous("b")).
		counts(k, "2026-03-17", false)
	patient(t).at("2026-02-20", intravenous("a")).at("2026-02-25", ended("a")).at("2026-03-18", intravenous("b")).
		counts(k, "2026-03-18", true)
	// The last dose counts, not the message that tells of it.
	patient(t).at("2026-03-01", intravenous("a")).at("2026-03-15", &v1.AntimicrobialEnded{Course: "a",
		LastDoseOn: proto.String("2026-03-10")}).at("2026-03-31", intravenous("b")).counts(k, "2026-03-31", true)
	// A start while another course runs is none; every earlier course counts, not the last begun only.
	patient(t).at("2026-03-01", intravenous("long")).at("2026-03-05", intravenous("short")).at("2026-03-06", ended("short")).
		at("2026-04-01", ended("long")).at("2026-04-20", intravenous("c")).
		counts(k, "2026-03-05", false).counts(k, "2026-04-20", false)
	// Two on one day are one event.
	n := 0
	for _, e := range patient(t).at("2026-03-01", intravenous("a")).at("2026-03-01", intravenous("b")).fold().Events {
		if e.Counted {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d starts of one day count, want one", n)
	}
	// Without an end on record it counts as ended on its last known dose, and is named.
	open := patient(t).at("2026-03-01", intravenous("a"))
	open.why(k, "2026-03-01", "no end of the course is on record: it counts as ended on its last known dose")
	open.at("2026-03-21", intravenous("b")).counts(k, "2026-03-01", true).counts(k, "2026-03-21", false)
	patient(t).at("2026-03-01", intravenous("a")).at("2026-03-22", intravenous("b")).at("2026-03-25", ended("b")).
		counts(k, "2026-03-22", true).why(k, "2026-03-22", "")
	// Only what is given into a vein, and any reason.
	p := patient(t).at("2026-03-01", oral("a")).at("2026-03-05", intravenous("b")).counts(k, "2026-03-05", true)
	if n := len(p.fold().Events); n != 1 {
		t.Errorf("%d events, want the intravenous start only", n)
	}
	p.is(k, "2026-03-05", surveil.Antimicrobial, true).is(k, "2026-03-05", surveil.Bloodstream, false)
	// Begun in hospital and continued here counts as begun here (NHSN, from memory).
	patient(t).at("2026-03-01", &v1.AntimicrobialStarted{Course: "a", Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS,
		ContinuedFromHospital: v1.Answer_ANSWER_YES}).counts(k, "2026-03-01", true)
}

func TestSignsAtTheSite(t *testing.T) {
	const k = surveil.SiteSigns
	for _, c := range []struct {
		says string
		body proto.Message
		want bool
	}{
		{"pus", &v1.SiteSignsSeen{Access: "F", Pus: present}, true},
		{"redness", &v1.SiteSignsSeen{Access: "F", Redness: present}, true},
		{"increased swelling", &v1.SiteSignsSeen{Access: "F", Swelling: present}, true},
		{"pus over the access, examined", &v1.AccessExamined{Access: "F", Look: &v1.Look{Pus: present}}, true},
		{"redness over the access, examined", &v1.AccessExamined{Access: "F", Look: &v1.Look{Redness: present}}, true},
		{"swelling of the limb", &v1.AccessExamined{Access: "F", Look: &v1.Look{Swelling: present}}, false},
		{"pus at a site, examined", &v1.AccessExamined{Access: "F", Sites: []*v1.SiteLook{{Track: "T", Pus: present}}}, true},
		{"redness at a site, examined", &v1.AccessExamined{Access: "F", Sites: []*v1.SiteLook{{Track: "T", Redness: present}}}, true},
		{"swelling at a site, examined", &v1.AccessExamined{Access: "F", Sites: []*v1.SiteLook{{Track: "T", Swelling: present}}}, true},
		{"a scab that does not heal", &v1.AccessExamined{Access: "F",
			Sites: []*v1.SiteLook{{Track: "T", NonHealingScab: present, ShinyOrThinSkin: present}}}, false},
		{"redness looked for and not found", &v1.AccessExamined{Access: "F", Look: &v1.Look{Redness: v1.Finding_FINDING_ABSENT},
			Sites: []*v1.SiteLook{{Track: "T", Pus: v1.Finding_FINDING_NOT_EXAMINED}}}, false},
		{"warmth and tenderness", &v1.AccessExamined{Access: "F", Feel: &v1.Feel{Warmth: present, Tenderness: present}}, false},
	} {
		if got := len(patient(t).at("2026-03-02", c.body).fold().Events) == 1; got != c.want {
			t.Errorf("%s is a sign: %v, want %v", c.says, got, c.want)
		}
	}
	// Twenty-one days, between either source, counted from signs that were no event too.
	look := &v1.AccessExamined{Access: "F", Look: &v1.Look{Redness: present}}
	patient(t).at("2026-03-02", redness("F", "")).at("2026-03-22", look).counts(k, "2026-03-22", false)
	patient(t).at("2026-03-02", look).at("2026-03-23", redness("F", "")).counts(k, "2026-03-23", true)
	patient(t).at("2026-01-31", redness("F", "")).at("2026-02-20", redness("F", "")).counts(k, "2026-02-20", false)
	patient(t).at("2026-01-31", redness("F", "")).at("2026-02-21", redness("F", "")).counts(k, "2026-02-21", true)
	patient(t).at("2026-03-01", look).at("2026-03-21", look).at("2026-04-10", look).counts(k, "2026-03-01", true).
		counts(k, "2026-03-21", false).counts(k, "2026-04-10", false)
	e := patient(t).at("2026-03-02", &v1.AccessExamined{Access: "F", Sites: []*v1.SiteLook{{Track: "B", Pus: present},
		{Track: "A", Swelling: present}, {Track: "C"}}}).event(k, "2026-03-02")
	if !slices.Equal(e.Tracks, []string{"A", "B"}) {
		t.Errorf("seen at %v, want at A and B", e.Tracks)
	}
}

func TestLocalAccessInfection(t *testing.T) {
	const k = surveil.SiteSigns
	near := func(signs string, source v1.SuspectedSource) *chartOf {
		p := patient(t).culture("2026-03-22", outpatient).at(signs, redness("F", ""))
		if source != notAssessed {
			p.at("2026-04-01", assessed(1, source))
		}
		return p
	}
	// Within 20 days either side of an access-related bloodstream infection signs are part of it (ours).
	near("2026-03-02", accessSource).is(k, "2026-03-02", surveil.LocalAccess, false)
	near("2026-03-01", accessSource).is(k, "2026-03-01", surveil.LocalAccess, true)
	near("2026-04-11", accessSource).is(k, "2026-04-11", surveil.LocalAccess, false)
	near("2026-04-12", accessSource).is(k, "2026-04-12", surveil.LocalAccess, true)
	near("2026-03-22", notAssessed).is(k, "2026-03-22", surveil.LocalAccess, false)
	near("2026-03-22", uncertain).is(k, "2026-03-22", surveil.LocalAccess, false)
	// Not of another one.
	near("2026-03-22", otherSite).is(k, "2026-03-22", surveil.LocalAccess, true)
	near("2026-03-22", contamination).is(k, "2026-03-22", surveil.LocalAccess, true)
	// A culture that is no event makes no infection that they could be part of.
	patient(t).at("2026-03-01", &v1.HospitalAdmission{}).culture("2026-03-10", inpatient).at("2026-03-11", redness("F", "")).
		is(k, "2026-03-11", surveil.LocalAccess, true)
	// Signs within 21 days of others are no local infection either.
	patient(t).at("2026-03-02", redness("F", "")).at("2026-03-05", redness("F", "")).is(k, "2026-03-05", surveil.LocalAccess, false)
}

func TestCorrectionsAndVoids(t *testing.T) {
	const k = surveil.BloodCulture
	ref := func(m string) *v1.FactReference { return &v1.FactReference{SourceMessageId: m} }
	correct := func(m string, c *v1.CultureResulted) proto.Message {
		return &v1.SurveillanceFactCorrected{Correction: &v1.Correction{Fact: ref(m), Revision: 1,
			AssertedAt: timestamppb.New(moment(t, "2026-05-01")), Reason: "invented"},
			Replacement: &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: c}}}
	}
	void := func(m string) proto.Message { return &v1.FactVoided{Fact: ref(m), Reason: "invented"} }
	two := func() *chartOf { return patient(t).culture("2026-03-02", outpatient).culture("2026-03-22", outpatient) }
	two().at("2026-04-01", void("m1")).counts(k, "2026-03-22", true)
	two().at("2026-04-01", correct("m1", positive(t, "2026-03-01", outpatient))).counts(k, "2026-03-22", true)
	negative := positive(t, "2026-03-02", outpatient)
	negative.Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE
	two().at("2026-04-01", correct("m1", negative)).counts(k, "2026-03-22", true)
	two().at("2026-04-01", void("m1")).at("2026-04-02", void("m3")).counts(k, "2026-03-22", false)
	// A correction keeps the fact's id: its assessment goes with it.
	two().at("2026-03-10", assessed(1, otherSite)).at("2026-04-01", correct("m1", positive(t, "2026-02-27", outpatient))).
		is(k, "2026-02-27", surveil.AccessRelated, false)
}

func TestBloodCulturesOfAnyResult(t *testing.T) {
	c := patient(t).at("2026-03-01", admitted(), created("AVF", fistula), treatment("AVF"))
	c.culture("2026-03-20", outpatient)
	negative := positive(t, "2026-03-10", outpatient)
	negative.Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE
	c.in(north, "2026-03-12", negative) // told elsewhere, of a patient who is here
	unknown := positive(t, "2026-03-11", outpatient)
	unknown.Growth = v1.CultureGrowth_CULTURE_GROWTH_UNSPECIFIED
	swab := positive(t, "2026-03-11", outpatient)
	swab.Specimen = v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE
	c.at("2026-03-12", unknown, swab)
	got := ""
	for _, x := range c.fold().Cultures {
		got += fmt.Sprintf("%s %s %v\n", x.Facility, x.Day, x.Positive)
	}
	if got != east+" 2026-03-10 false\n"+east+" 2026-03-20 true\n" {
		t.Error(got)
	}
	u := surveil.Unit{Facility: east, People: []surveil.Patient{{Person: c.fold()}}, Since: day(t, "2026-03-01"),
		AsOf: day(t, "2026-04-02")}
	if p, n := u.Cultures(surveil.One(month(t, "2026-03"))); p != 1 || n != 1 {
		t.Errorf("%d positive, %d negative", p, n)
	}
	if p, n := u.Cultures(surveil.One(month(t, "2026-04"))); p != 0 || n != 0 {
		t.Errorf("%d positive, %d negative in April", p, n)
	}
	if d, ok := u.LastCulture(); !ok || d != day(t, "2026-03-20") {
		t.Errorf("the last one is of %s", d)
	}
	u.AsOf = day(t, "2026-03-19")
	if d, ok := u.LastCulture(); !ok || d != day(t, "2026-03-10") {
		t.Errorf("the last one up to then is of %s", d)
	}
	u.Since = day(t, "2026-03-11")
	if d, ok := u.LastCulture(); ok {
		t.Errorf("one of before the first treatment counts: %s", d)
	}
	u.Since, u.Facility = day(t, "2026-03-01"), north
	if d, ok := u.LastCulture(); ok {
		t.Errorf("one of another unit counts: %s", d)
	}
}
