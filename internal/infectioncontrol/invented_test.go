package infectioncontrol

import (
	"fmt"
	"testing"

	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func day(t testing.TB, s string) surveil.Day {
	t.Helper()
	d, err := surveil.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func month(t testing.TB, s string) surveil.Month {
	t.Helper()
	m, err := surveil.ParseMonth(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

const aureus = cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS

// bare is a facility with n patients of one technique and nothing else.
func bare(t testing.TB, facility string, n int, technique surveil.Technique, since, asOf string) *surveil.Watch {
	t.Helper()
	w := &surveil.Watch{Name: "Unit " + facility + " (invented)",
		Unit: surveil.Unit{Facility: facility, Censuses: map[surveil.Month]surveil.Census{}, Since: day(t, since), AsOf: day(t, asOf)}}
	add(t, w, n, technique)
	return w
}

// add adds patients who are there from the record's beginning on.
func add(t testing.TB, w *surveil.Watch, n int, technique surveil.Technique) {
	for range n {
		w.People = append(w.People, surveil.Patient{Key: fmt.Sprintf("key-of-%s-%03d", w.Facility, len(w.People)), Person: surveil.Person{
			Exposures: []surveil.Exposure{{Facility: w.Facility, Technique: technique, From: w.Since - 100, To: 1 << 30}},
		}})
	}
}

// happens adds an event to the i-th patient.
func happens(t testing.TB, w *surveil.Watch, i int, on string, e surveil.Event) {
	t.Helper()
	p := &w.People[i]
	e.Day, e.Facility, e.Fact = day(t, on), w.Facility, fmt.Sprintf("fact-%03d-%s-%s", i, on, e.Kind)
	if e.Technique == "" {
		e.Technique = p.Exposures[0].Technique
	}
	p.Events = append(p.Events, e)
	if e.Kind == surveil.BloodCulture {
		p.Cultures = append(p.Cultures, surveil.Culture{Fact: e.Fact, Facility: w.Facility, Day: e.Day, Positive: true})
	}
}

// negative adds a blood culture of the i-th patient in which nothing grew.
func negative(t testing.TB, w *surveil.Watch, i int, on string) {
	t.Helper()
	w.People[i].Cultures = append(w.People[i].Cultures, surveil.Culture{Fact: fmt.Sprintf("fact-%03d-%s-negative", i, on),
		Facility: w.Facility, Day: day(t, on)})
}

func bacteraemia() surveil.Event {
	return surveil.Event{Kind: surveil.BloodCulture, Counted: true, Source: cannularyv1.SuspectedSource_SUSPECTED_SOURCE_ACCESS,
		Organisms: []cannularyv1.OrganismGroup{aureus}, Tracks: []string{"TRACK-SECRET-A", "TRACK-SECRET-V"}}
}

func census(t testing.TB, w *surveil.Watch, m string, fistula, constant, graft, tunneled int, on ...string) {
	t.Helper()
	x := month(t, m)
	if len(on) == 0 {
		for _, d := range w.Calendar.CensusDays(x) {
			on = append(on, d.String())
		}
	}
	w.Censuses[x] = surveil.Census{Month: x, CountedOn: on, FistulaTotal: fistula, ConstantSite: constant, Graft: graft, Tunneled: tunneled}
}

// invented is a unit of 62 with a run of infections of constant-site patients that raised a
// signal twice, of which the second stands; a month without census, one counted on a
// Tuesday, one that does not fit; cases that do not count; a doubtful one.
func invented(t testing.TB) *surveil.Watch {
	t.Helper()
	w := bare(t, "invented-north", 22, surveil.ConstantSite, "2026-01-05", "2027-06-08")
	w.Name = "Invented Unit North"
	add(t, w, 26, surveil.OtherFistula)
	add(t, w, 4, surveil.Graft)
	add(t, w, 10, surveil.TunneledCatheter)
	w.Calendar.Days = []cannularyv1.Weekday{1, 2, 3, 4, 5, 6}
	for m := month(t, "2026-01"); m <= month(t, "2027-05"); m++ {
		switch s := m.String(); s {
		case "2026-09": // none
		case "2026-12":
			census(t, w, s, 48, 22, 4, 10, "2026-12-01", "2026-12-08")
		case "2027-02":
			census(t, w, s, 40, 14, 4, 10)
		default:
			census(t, w, s, 48, 22, 4, 10)
		}
	}
	for _, r := range []struct {
		t surveil.Technique
		c surveil.Class
		v float64
	}{{surveil.ConstantSite, surveil.AccessRelated, 0.3}, {surveil.OtherFistula, surveil.AccessRelated, 0.3},
		{surveil.Graft, surveil.AccessRelated, 0.4}, {surveil.TunneledCatheter, surveil.AccessRelated, 1.8}} {
		of := surveil.Group(r.t)
		if surveil.Fistula.Has(r.t) {
			of = surveil.Fistula
		}
		w.References = append(w.References, surveil.Reference{Technique: r.t, Class: r.c, Of: of, Rate: r.v, Basis: "invented for a test"})
	}
	for i, on := range []string{"2026-03-18", "2026-08-30", "2026-11-02", "2026-12-09", "2027-01-20", "2027-03-02", "2027-04-11",
		"2027-05-06", "2027-05-22"} {
		happens(t, w, i, on, bacteraemia())
	}
	other := bacteraemia()
	other.Source, other.Organisms, other.Tracks = cannularyv1.SuspectedSource_SUSPECTED_SOURCE_OTHER_SITE,
		[]cannularyv1.OrganismGroup{cannularyv1.OrganismGroup_ORGANISM_GROUP_GRAM_NEGATIVE}, nil
	happens(t, w, 30, "2026-10-14", other)
	happens(t, w, 55, "2027-02-03", surveil.Event{Kind: surveil.BloodCulture, Counted: true, Why: "where it was collected is not recorded",
		Organisms: []cannularyv1.OrganismGroup{cannularyv1.OrganismGroup_ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS}})
	happens(t, w, 8, "2027-05-29", surveil.Event{Kind: surveil.BloodCulture,
		Why: "less than 21 days after the previous positive blood culture", Organisms: []cannularyv1.OrganismGroup{aureus},
		Source: cannularyv1.SuspectedSource_SUSPECTED_SOURCE_ACCESS, Tracks: []string{"TRACK-SECRET-A"}})
	happens(t, w, 12, "2027-05-11", surveil.Event{Kind: surveil.SiteSigns, Counted: true, Tracks: []string{"TRACK-SECRET-A"}})
	happens(t, w, 7, "2027-05-03", surveil.Event{Kind: surveil.SiteSigns, Counted: true, Related: true})
	happens(t, w, 40, "2026-07-07", surveil.Event{Kind: surveil.SiteSigns, Counted: true})
	happens(t, w, 8, "2027-05-22", surveil.Event{Kind: surveil.Course, Counted: true,
		Why: "no end of the course is on record: it counts as ended on its last known dose"})
	happens(t, w, 57, "2027-05-18", surveil.Event{Kind: surveil.BloodCulture, Counted: true, Outside: true, Technique: surveil.Unknown})
	for i, on := range []string{"2026-07-20", "2026-10-02", "2026-12-30", "2027-02-14", "2027-04-02", "2027-05-09",
		"2027-05-25", "2027-05-25"} {
		negative(t, w, i+20, on)
	}
	n := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}
	limit := surveil.Threshold{ChartName: n, Fact: "fact-threshold", Reference: 0.3, R: 2, H: 1.9, InControl: 120, SetBy: "S-900",
		From: day(t, "2026-02-02")}
	acks := []surveil.Acknowledgement{{ChartName: n, Fact: "fact-answer", Seq: 4200, On: day(t, "2027-01-11"), By: "S-901",
		Reason: "Scab removal and disinfection watched in all shifts.", Seen: w.Seen(n, day(t, "2027-01-11"))}}
	// As the projector does: what the chart crosses is raised, and stays.
	var raised []surveil.Raised
	for _, step := range []struct {
		acks []surveil.Acknowledgement
		seq  uint64
	}{{nil, 4000}, {acks, 6000}, {acks, 7000}} {
		if err := w.Run(map[surveil.ChartName]surveil.Threshold{n: limit}, raised, step.acks); err != nil {
			t.Fatal(err)
		}
		if c := w.Charts[0].Crossed; c != nil && w.Charts[0].Standing() == nil {
			raised = append(raised, surveil.Raised{ChartName: n, Seq: step.seq, Day: c.Day, Sum: c.Sum})
		}
	}
	if len(raised) != 2 || w.Charts[0].Standing() == nil {
		t.Fatalf("the invented unit should have two signals, of which one stands: %+v", raised)
	}
	return w
}

// made is the report of the invented unit, with a restatement.
func made(t testing.TB) *Report {
	t.Helper()
	w := invented(t)
	r, err := makeReport(w, []*surveil.Watch{w}, month(t, "2027-05"), Knowledge{Sequence: 48211, LogSequence: 48211})
	if err != nil {
		t.Fatal(err)
	}
	three, two, days, late := 3, 2, 1860, 1922
	r.Restatements = Restatements{Says: "These figures are no longer what was first reported: facts came late or were corrected.",
		List: []Restatement{
			{Month: "2026-12", Class: surveil.AccessRelated, Group: surveil.AllAccess, Figure: figureEvents, First: &two,
				FirstOn: "2027-01-01",
				Now:     &three, NowOn: "2027-01-06"},
			{Month: "2026-12", Group: surveil.AllAccess, Figure: figureAccessDays, First: &days, FirstOn: "2027-01-01", Now: &late,
				NowOn: "2027-01-06"},
		}}
	return &r
}
