package deploycheck

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/app"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

// ward is a small unit whose facts a test names one by one.
type ward struct {
	t    *testing.T
	sent []*v1.FeedRequest
}

func newWard(t *testing.T) *ward {
	w := &ward{t: t}
	w.say("", "ward", "2025-03-01T06:00:00Z",
		&v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{
			Name: "Invented ward", TimeZone: "Europe/Lisbon", DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY},
			Shifts: []*v1.Shift{{Name: "morning", StartsAt: "07:00", EndsAt: "12:00"}}}}})
	return w
}

// say notes one fact as a message and gives the fact's id.
func (w *ward) say(patient, id, at string, fact any) (factID string) {
	e := &v1.Envelope{Source: "engine-ward", SourceMessageId: id, Facility: "invented-ward", OccurredAt: testkit.At(at),
		Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Recorder: testkit.Staff("S-900")}
	if patient != "" {
		e.Patient = testkit.Patient(patient)
	}
	switch f := fact.(type) {
	case *v1.RosterFact:
		w.sent = append(w.sent, testkit.Request(e, f))
	case *v1.CannulationFact:
		w.sent = append(w.sent, testkit.Request(e, f))
	case *v1.SurveillanceFact:
		w.sent = append(w.sent, testkit.Request(e, f))
	default:
		w.t.Fatalf("no fact: %T", fact)
	}
	return record.FactID(record.EventID("engine-ward", id), 0)
}

func (w *ward) access(patient, name string, kind v1.AccessKind) {
	w.say(patient, patient+name, "2025-03-01T08:00:00Z",
		&v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: name, Kind: kind}}})
}

// patient has a fistula F with a track in use.
func (w *ward) patient(name string) {
	w.say(name, name, "2025-03-01T07:00:00Z", &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}})
	w.access(name, "F", v1.AccessKind_ACCESS_KIND_FISTULA)
	w.say(name, name+"track", "2025-03-01T08:05:00Z",
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
			Track: "A1", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED,
			DeclaredBy: testkit.Staff("S-900"), Evidence: "Invented"}}})
}

// hold places a hold and gives its id.
func (w *ward) hold(patient, access, at string) string {
	return record.HoldID("person", w.say(patient, fmt.Sprintf("hold-%d", len(w.sent)), at,
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{
			Access: access, PlacedBy: testkit.Staff("S-900"), Reason: "Invented"}}}))
}

// aureus reports a blood culture with S. aureus and gives the id of its hold.
func (w *ward) aureus(patient, at string) string {
	return record.HoldID("bacteraemia", w.say(patient, fmt.Sprintf("culture-%d", len(w.sent)), at,
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: &v1.CultureResulted{
			CollectedAt: testkit.At(at), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
			Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
			Setting:  v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
			Organisms: []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS}}}}}))
}

func (w *ward) lift(patient, hold, at string) {
	w.say(patient, fmt.Sprintf("lift-%d", len(w.sent)), at,
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: &v1.HoldLifted{
			Hold: hold, LiftedBy: testkit.Staff("S-900"), Reason: "Invented"}}})
}

// series are the lines of a metric without its name, sorted.
func series(text, name string) []string {
	var out []string
	for _, m := range regexp.MustCompile(`(?m)^`+name+`(\{.*)$`).FindAllStringSubmatch(text, -1) {
		out = append(out, strings.ReplaceAll(m[1], `facility="invented-ward",`, ""))
	}
	slices.Sort(out)
	return out
}

func TestEveryOpenHoldThatSomebodyNeedlesUnderHasAFigureOfItsOwn(t *testing.T) {
	w := newWard(t)
	for _, p := range []string{"old", "new", "catheter", "retired", "lifted", "aureus-1", "aureus-2", "aureus-retired", "aureus-lifted"} {
		w.patient(p)
	}
	old := w.hold("old", "F", "2025-03-02T08:00:00Z")
	fresh := w.hold("new", "F", "2025-03-20T08:00:00Z")
	w.access("catheter", "C", v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER)
	w.hold("catheter", "C", "2025-03-03T08:00:00Z")
	retire := func(patient string) {
		w.say(patient, patient+"gone", "2025-03-29T08:00:00Z",
			&v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: &v1.AccessRetired{Access: "F"}}})
	}
	w.hold("retired", "F", "2025-03-04T08:00:00Z")
	retire("retired")
	w.lift("lifted", w.hold("lifted", "F", "2025-03-05T08:00:00Z"), "2025-03-06T08:00:00Z")
	// Two within a minute, one of a patient whose fistula was given up since, one that was reviewed.
	first, second := w.aureus("aureus-1", "2025-03-28T08:00:00Z"), w.aureus("aureus-2", "2025-03-28T08:00:30Z")
	retired := w.aureus("aureus-retired", "2025-03-27T08:00:00Z")
	retire("aureus-retired")
	w.lift("aureus-lifted", w.aureus("aureus-lifted", "2025-03-26T08:00:00Z"), "2025-03-30T08:00:00Z")

	text := scrape(t, app.Config{}, w.sent)
	line := func(rule, hold, at string) string {
		return fmt.Sprintf(`{hold="%s",rule="%s"} %g`, hold, rule, float64(testkit.At(at).AsTime().Unix()))
	}
	want := []string{
		line("person", old, "2025-03-02T08:00:00Z"), line("person", fresh, "2025-03-20T08:00:00Z"),
		line("bacteraemia", first, "2025-03-28T08:00:00Z"), line("bacteraemia", second, "2025-03-28T08:00:30Z"),
		line("bacteraemia", retired, "2025-03-27T08:00:00Z"),
	}
	slices.Sort(want)
	if got := series(text, "cannulary_hold_since_timestamp_seconds"); !slices.Equal(got, want) {
		t.Errorf("holds that ring:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// Counted is what Today counts, the catheter's too; a rule without an open hold says 0.
	counts := []string{
		`{rule="bacteraemia"} 3`, `{rule="not-a-fistula"} 0`, `{rule="person"} 3`, `{rule="site-infection"} 0`,
		`{rule="skin-at-risk"} 0`, `{rule="spacing-short"} 0`, `{rule="thrill-absent"} 0`,
	}
	if got := series(text, "cannulary_open_holds"); !slices.Equal(got, counts) {
		t.Errorf("open holds:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(counts, "\n"))
	}
}

// A lift brings the count to 0, not to nothing: what is absent keeps its last figure in the rules.
func TestTheCountOfAnEndedHoldIsNought(t *testing.T) {
	w := newWard(t)
	w.patient("one")
	w.lift("one", w.aureus("one", "2025-03-26T08:00:00Z"), "2025-03-30T08:00:00Z")
	text := scrape(t, app.Config{}, w.sent)
	if !strings.Contains(text, "\n"+`cannulary_open_holds{facility="invented-ward",rule="bacteraemia"} 0`+"\n") {
		t.Errorf("no 0 after the lift: %v", series(text, "cannulary_open_holds"))
	}
	if got := series(text, "cannulary_hold_since_timestamp_seconds"); len(got) > 0 {
		t.Errorf("a lifted hold still stands: %v", got)
	}
}
