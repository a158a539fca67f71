package fhir_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/testkit/fhirtest"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// judgement is an invented one with everything that is rendered.
func judgement() *track.Judgement {
	at := func(days int) time.Time { return fhirtest.Start.AddDate(0, 0, days).Add(30 * time.Second) }
	forming := track.State{ID: record.TrackID(fhirtest.Patient, "A1"), Name: "A1", Access: "AVF", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: track.Forming, Counted: 4, Target: 6,
		Extras: []track.Extra{{Rule: rule.GapLong, Text: "a gap"}}, ReferenceAngle: p(25.0), UnderReview: true,
		Next: track.Next{Needle: track.Sharp, Session: 5, Why: "forming: 4 of 7 sharp sessions count"}, Newest: at(9)}
	forming.Protocol.Version = "v2"
	blunt := track.State{ID: record.TrackID(fhirtest.Patient, "V1"), Name: "V1", Access: "AVF", Stage: track.Trial, Counted: 6, Target: 6, Streak: 2,
		Taken: takeover(), Next: track.Next{Needle: track.Blunt, Session: 3, Why: "blunt trial."}, Newest: at(9)}
	blunt.Protocol.Version = "defaults"
	blunt.Trends.HaemostasisKnown, blunt.Trends.Haemostasis.Median, blunt.Trends.Rescues = true, 7.5, 1
	held := track.State{ID: record.TrackID("0ld", "A2"), Name: "A2", Stage: track.Resting, Target: 6, Next: track.Next{Needle: track.None}, Newest: at(8)}
	gone := track.State{ID: record.TrackID(fhirtest.Patient, "A0"), Name: "A0", Stage: track.Retired, Target: 6, Next: track.Next{Needle: track.None}, Newest: at(8)}
	return &track.Judgement{
		Tracks: []track.State{forming, blunt, held, gone},
		Accesses: []track.AccessState{{ID: record.AccessID(fhirtest.Patient, "AVF"), Name: "AVF", Side: cannularyv1.BodySide_BODY_SIDE_LEFT, Region: cannularyv1.AccessRegion_ACCESS_REGION_FOREARM},
			{Name: "unnamed by facts"}, {Name: "CVC", Kind: cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER}},
		Where: track.Whereabouts{Facility: "north"},
		Holds: []track.Hold{
			{ID: "h-open", Rule: rule.SiteInfection, Tracks: []string{"A1"}, Accesses: []string{"AVF"}, Since: at(7), Text: "pus at the site of A1", Clears: "a named person lifts the hold", Ground: "g.0"},
			{ID: "h-person", Rule: rule.Person, Tracks: []string{"V1"}, Since: at(6), By: staff("N-021"), GroundWithdrawn: true},
			{ID: "h-lifted", Rule: rule.ThrillAbsent, Accesses: []string{"AVF"}, Since: at(3), Text: "no thrill", Clears: "a named person lifts the hold", Lifted: at(4), LiftedBy: staff("N-017"), Reason: "thrill felt again"},
			{ID: "h-given-up", Rule: rule.Person, Tracks: []string{"A0"}, Since: at(5), Text: "a bulge <3 cm & growing", Clears: "a named person lifts the hold"},
			{ID: "h-catheter", Rule: rule.SiteInfection, Accesses: []string{"CVC"}, Since: at(5), Text: "pus over the access", Clears: "a named person lifts the hold"},
			{ID: "h-day", Rule: rule.SkinAtRisk, Accesses: []string{"AVF"}, Since: time.Date(2027, 3, 5, 11, 0, 0, 0, time.UTC), Date: "2027-03-06", DayKnown: true, Text: "an ulcer", Clears: "a named person lifts the hold", Needled: 2, NeedledLast: "2027-03-08"},
			{ID: "h-day-lifted", Rule: rule.ThrillAbsent, Accesses: []string{"AVF"}, Since: time.Date(2027, 3, 4, 11, 0, 0, 0, time.UTC), Date: "2027-03-05", DayKnown: true, Text: "no bruit", Needled: 1, NeedledLast: "2027-03-05",
				Lifted: time.Date(2027, 3, 5, 18, 0, 0, 0, time.UTC), LiftedBy: staff("N-017"), Reason: "bruit heard"},
			{ID: "h-elsewhere", Rule: rule.Person, Tracks: []string{"nowhere"}, Since: at(5), Text: "a track that is not there", By: staff("N-017")},
		},
		Findings: []track.Finding{
			{ID: "f-stop", Rule: rule.SiteInfection, Severity: rule.Stop, Track: "A1", Access: "AVF", Since: at(7), Seen: "pus at the site of A1", Asked: "no signs of infection", Clears: "a named person lifts the hold", Facts: []string{"g.0"}, Protocol: "v2", Hold: "h-open"},
			{ID: "f-caution", Rule: rule.PressureRising, Severity: rule.Caution, Access: "AVF", Since: at(5), Seen: "venous pressure 160, 165, 170 mmHg", Asked: "at most 150 mmHg", Clears: "a reading that is not above it", Facts: []string{"a.0", "b.0", "c.0"}, Protocol: "v2"},
			{ID: "f-cleared", Rule: rule.HardEntry, Severity: rule.Note, Track: "A1", Access: "AVF", Since: at(2), Seen: "2 passes", Asked: "one pass", Clears: "two easy entries", Facts: []string{"d.0"}, Cleared: at(4), ClearedBy: "the session of 2027-03-05"},
			{ID: "f-patient", Rule: rule.MergeWithoutEffect, Severity: rule.Note, Since: at(1), Facts: []string{"e.0", "\x01"}},
		},
	}
}

func judged(t testing.TB, j *track.Judgement) []fhir.Resource {
	t.Helper()
	rs, err := fhir.Judged(ctx(), fhir.JudgedView{Patient: fhirtest.Patient, Judgement: j, All: j, Facts: grounds()})
	if err != nil {
		t.Fatal(err)
	}
	return rs
}

// grounds are the facts that the invented findings rest on, as far as they are at hand.
func grounds() map[string]*record.Fact {
	out := map[string]*record.Fact{}
	for id, body := range map[string]proto.Message{
		"g.0": &cannularyv1.AccessExamined{}, "a.0": &cannularyv1.VenousPressureRead{}, "b.0": &cannularyv1.VenousPressureRead{},
		"d.0": &cannularyv1.NeedleInserted{}, "e.0": &logv1.IdentitiesMerged{},
	} {
		kind := record.Kind(strings.ToLower(regexp.MustCompile("(.)([A-Z])").ReplaceAllString(string(body.ProtoReflect().Descriptor().Name()), "${1}_$2")))
		out[id] = &record.Fact{ID: id, Kind: kind, Body: body}
	}
	out["e.0"].Kind, out["e.0"].MergedKey = record.KindPatientsMerged, "0ld"
	return out
}

// byID are the bodies by Type/id.
func byID(t testing.TB, rs []fhir.Resource) map[string]map[string]any {
	t.Helper()
	out := map[string]map[string]any{}
	for _, r := range rs {
		out[r.Type+"/"+r.ID] = decode(t, r.Body)
	}
	return out
}

func TestGoldenJudgement(t *testing.T) {
	golden(t, "judgement.json", judged(t, judgement()))
}

// takenBack takes everything back.
func takenBack(t testing.TB, patient string, rs []fhir.Resource) []fhir.Resource {
	t.Helper()
	var out []fhir.Resource
	for i, r := range rs {
		back, err := fhir.TakenBack(ctx(), patient, r.Type, r.ID, fhir.WithMeta(r.Body, r.ID, r.Profile, i+1, fhirtest.Start))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, back)
	}
	return out
}

// TestTakenBack checks that the status and the narrative say so and that nothing else
// changes, the search values of the status aside.
func TestTakenBack(t *testing.T) {
	rs := judged(t, judgement())
	for i, back := range takenBack(t, fhirtest.Patient, rs) {
		r := rs[i]
		m := decode(t, r.Body)
		want := "entered-in-error"
		if r.Type == "DetectedIssue" {
			want = "cancelled"
		}
		was := m["status"].(string)
		m["status"] = want
		says := map[string]string{"cancelled": "<p>Cancelled: it does not stand by what is on record now, because a fact was corrected, " +
			"withdrawn or reported late, or patients were merged.</p>", "entered-in-error": "<p>Entered in error: it counts for nothing.</p>"}[want]
		m["text"].(map[string]any)["div"] = strings.Replace(at(m, "text.div").(string), "<p>", says+"<p>", 1)
		if got := decode(t, back.Body); fmt.Sprint(got) != fmt.Sprint(m) || was == want {
			t.Errorf("%s/%s is %v\nwant %v", r.Type, r.ID, got, m)
		}
		lines := indexLines(r.Index)
		for k := range lines {
			if strings.HasPrefix(lines[k], "status=") {
				system := map[bool]string{false: "observation-status", true: "flag-status"}[r.Type == "Flag"]
				lines[k] = "status=http://hl7.org/fhir/" + system + "|" + want
			}
			if strings.HasPrefix(lines[k], "standing=") {
				lines[k] = "standing=|false"
			}
		}
		if !slices.Equal(indexLines(back.Index), lines) || back.Patient != r.Patient || back.ID != r.ID || back.Type != r.Type || back.Profile != r.Profile || r.Profile == "" {
			t.Errorf("%s/%s is found by %v\nwant %v", r.Type, r.ID, indexLines(back.Index), lines)
		}
		again, err := fhir.TakenBack(ctx(), fhirtest.Patient, back.Type, back.ID, back.Body)
		if err != nil || string(again.Body) != string(back.Body) {
			t.Errorf("taken back twice: %s, %v", again.Body, err)
		}
		moved, err := fhir.TakenBack(ctx(), "survivor", r.Type, r.ID, r.Body)
		if err != nil || moved.Patient != "survivor" || !slices.Contains(indexLines(moved.Index), "patient=Patient/survivor") || strings.Contains(string(moved.Body), fhirtest.Patient) {
			t.Errorf("%s of a patient who was merged: %s, %v", r.Type, moved.Body, err)
		}
	}
}

func TestTakenBackRefuses(t *testing.T) {
	for name, c := range map[string]struct{ typ, id, stored string }{
		"nothing stored":        {"Flag", "x", ""},
		"another id":            {"Flag", "x", `{"id":"y","resourceType":"Flag"}`},
		"no id":                 {"DetectedIssue", "", `{"resourceType":"DetectedIssue"}x`},
		"another type":          {"Flag", "x", `{"id":"x","resourceType":"DetectedIssue"}`},
		"a type without status": {"BodyStructure", "x", `{"id":"x","resourceType":"BodyStructure"}`},
		"a status of none":      {"Flag", "x", `{"id":"x","status":"open","resourceType":"Flag"}`},
	} {
		if r, err := fhir.TakenBack(ctx(), "p", c.typ, c.id, []byte(c.stored)); err == nil {
			t.Errorf("%s: %s", name, r.Body)
		}
	}
}

// TestJudgedRefuses gives one value at a time that no version knows: an error, never
// another value and never a panic.
func TestJudgedRefuses(t *testing.T) {
	for name, change := range map[string]func(*track.Judgement){
		"stage":             func(j *track.Judgement) { j.Tracks[1].Stage = "ripe" },
		"no stage":          func(j *track.Judgement) { j.Tracks[1].Stage = "" },
		"needle":            func(j *track.Judgement) { j.Tracks[1].Next.Needle = "hooked" },
		"no needle":         func(j *track.Judgement) { j.Tracks[1].Next.Needle = "" },
		"rule of a hold":    func(j *track.Judgement) { j.Holds[0].Rule = "luck" },
		"rule of a finding": func(j *track.Judgement) { j.Findings[0].Rule = "luck" },
		"severity":          func(j *track.Judgement) { j.Findings[0].Severity = "grave" },
		"no severity":       func(j *track.Judgement) { j.Findings[0].Severity = "" },
	} {
		j := judgement()
		change(j)
		if rs, err := fhir.Judged(ctx(), fhir.JudgedView{Patient: "p", Judgement: j, All: j}); err == nil {
			t.Errorf("%s: %d resources", name, len(rs))
		}
	}
}

// TestEveryRuleAndStageHasACode also checks that each severity and stage is rendered as
// what it is.
func TestEveryRuleAndStageHasACode(t *testing.T) {
	severities := map[rule.Severity]string{rule.Stop: "high", rule.Caution: "moderate", rule.Note: "low"}
	for _, r := range rule.All() {
		for severity, want := range severities {
			j := &track.Judgement{
				Findings: []track.Finding{{ID: "f", Rule: r.Code, Severity: severity, Since: fhirtest.Start}},
				Holds:    []track.Hold{{ID: "h", Rule: r.Code, Since: fhirtest.Start}},
			}
			rs := judged(t, j)
			if f := one(t, rs, "DetectedIssue", "rule-"+r.Code); f["severity"] != want || f["status"] != "final" {
				t.Errorf("%s: severity %v, status %v", r.Code, f["severity"], f["status"])
			}
			one(t, rs, "Flag", "rule-"+r.Code)
		}
	}
	for _, s := range []track.Stage{track.Planned, track.Forming, track.Ready, track.Trial, track.Established, track.Resting, track.Retired} {
		for needle, want := range map[track.Needle]string{track.Sharp: "needle-tip-sharp", track.Blunt: "needle-tip-blunt", track.None: "next-needle-none"} {
			o := one(t, judged(t, &track.Judgement{Tracks: []track.State{{ID: "a", Stage: s, Next: track.Next{Needle: needle}, Newest: fhirtest.Start}}}), "Observation", "track-maturity")
			if got := at(o, "valueCodeableConcept.coding.0.code"); got != "track-stage-"+string(s) {
				t.Errorf("%s is %v", s, got)
			}
			if got := at(component(o, "next-needle"), "valueCodeableConcept.coding.0.code"); got != want {
				t.Errorf("needle %s is %v", needle, got)
			}
		}
	}
}

// TestFlagsSayWhetherToNeedle checks what a reader who sees the text alone may do.
func TestFlagsSayWhetherToNeedle(t *testing.T) {
	flags := byID(t, judged(t, judgement()))
	for id, c := range map[string]struct {
		status string
		says   []string
		end    any
		author any
		not    string
	}{
		"h-open": {"active", []string{"Hold on track A1 (arterial, access AVF, left forearm), access AVF (left forearm): pus at the site of A1. Do not needle. Clears: a named person lifts the hold. " + fhir.Advice},
			nil, nil, "withdrawn"},
		"h-person": {"active", []string{"Hold on track V1 (access AVF, left forearm): what was seen is not recorded. Do not needle. Placed by N-021. The reason for this hold was later corrected or withdrawn."},
			nil, "Practitioner/" + record.StaffID(staff("N-021")), "Clears"},
		"h-lifted": {"inactive", []string{"Lifted hold on access AVF (left forearm): no thrill. Lifted by N-017: thrill felt again."}, "2027-03-05T07:00:00Z", nil, "Do not needle"},
		"h-given-up": {"active", []string{"Hold on track A0, no longer used: a bulge <3 cm & growing. Ask the lead to close it. Placed by a person whose name is not recorded.", "Clears: a named person lifts the hold."},
			nil, nil, "Do not needle"},
		"h-catheter": {"active", []string{"Hold on access CVC, which nobody needles: pus over the access. Clears: a named person lifts the hold."}, nil, nil, "Do not needle"},
		"h-day":      {"active", []string{"Hold on access AVF (left forearm): an ulcer. Do not needle. Since 2027-03-06 (the time is not recorded). Needled during this hold in 2 sessions, last on 2027-03-08."}, nil, nil, "Lifted"},
		"h-day-lifted": {"inactive", []string{"Lifted hold on access AVF (left forearm): no bruit. Since 2027-03-05 (the time is not recorded). Needled during this hold in 1 session, last on 2027-03-05. Lifted by N-017: bruit heard."},
			"2027-03-05", nil, "Do not needle"},
		"h-elsewhere": {"active", []string{"Hold on track nowhere: a track that is not there. Do not needle. Placed by N-017."}, nil, "Practitioner/" + record.StaffID(staff("N-017")), "withdrawn"},
	} {
		f := flags["Flag/"+id]
		text := fmt.Sprint(at(f, "code.text"))
		for _, want := range c.says {
			if !strings.Contains(text, want) {
				t.Errorf("%s says %q, want %q", id, text, want)
			}
		}
		if f["status"] != c.status || at(f, "period.end") != c.end || at(f, "author.reference") != c.author || strings.Contains(text, c.not) || strings.Contains(text, "..") {
			t.Errorf("%s: %v", id, f)
		}
	}
	var details []string
	for _, e := range list(flags["Flag/h-open"], "extension") {
		details = append(details, fmt.Sprint(at(e, "valueReference.reference")))
	}
	want := []string{"DetectedIssue/f-stop", "BodyStructure/" + record.TrackID(fhirtest.Patient, "A1"), "BodyStructure/" + record.AccessID(fhirtest.Patient, "AVF")}
	if !slices.Equal(details, want) {
		t.Errorf("details %v, want %v", details, want)
	}
	if flags["Flag/h-elsewhere"]["extension"] != nil {
		t.Error("a track that is not there is referred to")
	}
}

// TestFlagPeriods checks the search values of open and closed holds: half-open, to the
// second that is shown, or to the day.
func TestFlagPeriods(t *testing.T) {
	starts := map[string]string{}
	for _, r := range judged(t, judgement()) {
		if r.Type != "Flag" {
			continue
		}
		d := r.Index.Dates[0]
		m := decode(t, r.Body)
		start := at(m, "period.start").(string)
		starts[r.ID] = start
		layout, width := time.RFC3339, time.Second
		if len(start) == len(time.DateOnly) {
			layout = time.DateOnly
		}
		if got := d.Low.Format(layout); len(r.Index.Dates) != 1 || got != start || layout == time.DateOnly && !d.Low.Equal(d.Low.Truncate(24*time.Hour)) {
			t.Errorf("%s begins %s: %v", r.ID, d.Low, m["period"])
		}
		end, layout := at(m, "period.end"), time.RFC3339
		if s, _ := end.(string); len(s) == len(time.DateOnly) {
			layout, width = time.DateOnly, 24*time.Hour
		}
		if end == nil && !d.High.Equal(fhir.EndOfTime()) || end != nil && d.High.Add(-width).Format(layout) != end {
			t.Errorf("%s ends %s: %v", r.ID, d.High, m["period"])
		}
	}
	// The local date, whatever it is in UTC when it begins.
	if starts["h-day"] != "2027-03-06" || starts["h-day-lifted"] != "2027-03-05" || starts["h-open"] != "2027-03-08T07:00:00Z" {
		t.Errorf("holds begin %v", starts)
	}
}

func takeover() *cannularyv1.TrackTakenOver { return &cannularyv1.TrackTakenOver{Track: "V1"} }

// TestBasis: whatever a resource takes from elsewhere than its own track, hold or finding
// must be in the basis, and nothing that changes with every session.
func TestBasis(t *testing.T) {
	basis := func(patient string, change func(*track.Judgement)) string {
		j := judgement()
		change(j)
		return fhir.JudgedView{Patient: patient, Judgement: &track.Judgement{}, All: j}.Basis()
	}
	was := basis("p", func(*track.Judgement) {})
	for name, c := range map[string]struct {
		patient string
		change  func(*track.Judgement)
		same    bool
	}{
		"another patient":            {"q", func(*track.Judgement) {}, false},
		"another track of that name": {"p", func(j *track.Judgement) { j.Tracks[0].ID = "x" }, false},
		"a new track":                {"p", func(j *track.Judgement) { j.Tracks = append(j.Tracks, track.State{ID: "x", Name: "B1"}) }, false},
		"another access":             {"p", func(j *track.Judgement) { j.Accesses[0].ID = "x" }, false},
		"an access known by now":     {"p", func(j *track.Judgement) { j.Accesses[1].ID = "x" }, false},
		"a first needle in a track":  {"p", func(j *track.Judgement) { j.Tracks[0].Entered = true }, false},
		"an access of another kind":  {"p", func(j *track.Judgement) { j.Accesses[0].Kind = cannularyv1.AccessKind_ACCESS_KIND_GRAFT }, false},
		"a patient elsewhere":        {"p", func(j *track.Judgement) { j.Where.Facility = "south" }, false},
		"another access of a track":  {"p", func(j *track.Judgement) { j.Tracks[0].Access = "B" }, false},
		"another role":               {"p", func(j *track.Judgement) { j.Tracks[0].Role = cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS }, false},
		"a track given up":           {"p", func(j *track.Judgement) { j.Tracks[0].Stage = track.Retired }, false},
		"an access on another side":  {"p", func(j *track.Judgement) { j.Accesses[0].Side = cannularyv1.BodySide_BODY_SIDE_RIGHT }, false},
		"an access elsewhere":        {"p", func(j *track.Judgement) { j.Accesses[0].Region = cannularyv1.AccessRegion_ACCESS_REGION_WRIST }, false},
		"an access given up":         {"p", func(j *track.Judgement) { j.Accesses[0].Retired = true }, false},
		"another session":            {"p", func(j *track.Judgement) { j.Tracks[0].Counted, j.Tracks[0].Stage = 7, track.Ready }, true},
		"another order":              {"p", func(j *track.Judgement) { j.Tracks[0], j.Tracks[1] = j.Tracks[1], j.Tracks[0] }, true},
		"a finding cleared":          {"p", func(j *track.Judgement) { j.Findings[0].Cleared = fhirtest.Start }, true},
	} {
		if got := basis(c.patient, c.change); (got == was) != c.same {
			t.Errorf("%s: %q, was %q", name, got, was)
		}
	}
}
