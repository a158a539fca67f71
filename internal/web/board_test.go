package web_test

import (
	"context"
	"errors"
	"fmt"
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/card"
	"cannulary/internal/intake"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	"cannulary/internal/view"
	"cannulary/internal/web"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

func (u *unit) page(target string) string {
	u.t.Helper()
	a := u.get(target, "text/html")
	if a.status != http.StatusOK {
		u.t.Fatalf("%s: %d %s", target, a.status, a.body)
	}
	return a.body
}

func says(t *testing.T, page string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(page, w) {
			t.Errorf("the page does not say %q", w)
		}
	}
}

func inOrder(t *testing.T, page string, want ...string) {
	t.Helper()
	last := -1
	for _, w := range want {
		i := strings.Index(page, w)
		if i <= last {
			t.Errorf("%q stands at %d, what should come before it at %d", w, i, last)
		}
		last = max(last, i)
	}
}

// TestBoardShowsWhatTheCardsSay compares each track on the board of a simulated unit with
// the patient's card: stage, count, needle.
func TestBoardShowsWhatTheCardsSay(t *testing.T) {
	u := open(t)
	u.play(scenario())
	if err := u.in.StartDays(context.Background()); err != nil {
		t.Fatal(err)
	}
	u.settle()
	page := u.page("/")
	bodies := regexp.MustCompile(`(?s)<tbody.*?</tbody>`).FindAllString(page, -1)
	rows := regexp.MustCompile(`(?s)<span class="name">([^<]*)</span>.*?class="stage">(.*?)</td>.*?class="count">(.*?)</td>.*?class="needle ([a-z]+)"`)
	compared := 0
	for _, body := range bodies {
		key := regexp.MustCompile(`card\?patient=([0-9a-f]+)`).FindStringSubmatch(body)
		c := decode(t, u.get("/card?patient="+key[1]))
		if !strings.Contains(body, html.EscapeString(c.Patient.Name)) || c.Patient.Name == "" || !strings.Contains(body, c.Patient.BirthDate) {
			t.Errorf("the board does not name %q, born %s", c.Patient.Name, c.Patient.BirthDate)
		}
		shown := map[string][]string{}
		for _, m := range rows.FindAllStringSubmatch(body, -1) {
			shown[m[1]] = m
		}
		for _, tr := range c.Tracks {
			m := shown[tr.Name]
			if tr.Stage == "retired" {
				if m != nil {
					t.Errorf("track %s is given up and on the board", tr.Name)
				}
				continue
			}
			if m == nil || !strings.HasSuffix(m[2], tr.Stage) || m[4] != tr.Next.Needle {
				t.Errorf("track %s is %s, next %s; the board shows %q", tr.Name, tr.Stage, tr.Next.Needle, m)
				continue
			}
			if count := fmt.Sprintf("%d of %d ", tr.SessionsCounted, tr.SessionsTarget); tr.Stage == "forming" && !strings.HasPrefix(m[3], count) {
				t.Errorf("track %s counts %q; the board shows %q", tr.Name, count, m[3])
			}
			compared++
		}
	}
	if compared < 4 {
		t.Errorf("only %d tracks were compared", compared)
	}
	says(t, page, html.EscapeString(card.Caution), `scope="col"`, `scope="rowgroup"`, `<html lang="en">`, "view up to date", "Last message just now", "a licensed practitioner decide")
	if hasScript(page) || strings.Contains(page, "style=") {
		t.Error("the board has a script or a style within")
	}
}

func TestBoardOfNothing(t *testing.T) {
	u := open(t)
	u.settle()
	says(t, u.page("/"), "No facility is registered yet", "facility_registered", html.EscapeString(card.Caution))
	u.register("Europe/Lisbon")
	u.settle()
	says(t, u.page("/"), "Invented unit", "No constant-site track is recorded here yet")
}

func TestBoardPutsHoldsFirst(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("E", "Established", "", "1940-01-01")
	u.takeOver("E", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.sharp("E", "A1", at(12)) // a rescue without a reason
	u.identity("F", "Forming", "", "1941-01-01")
	u.takeOver("F", "A1", v1.TrackStage_TRACK_STAGE_FORMING)
	u.identity("R", "Ready", "", "1942-01-01")
	u.takeOver("R", "A1", v1.TrackStage_TRACK_STAGE_FORMING)
	for day := 12; day >= 0; day -= 2 {
		u.sharp("R", "A1", at(day+1))
	}
	u.identity("H", "Held", "", "1943-01-01")
	u.takeOver("H", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.hold("H", "A1", "swelling", at(1))
	u.identity("X", `<script>alert("x")</script>`, "O'Mark & Co", "1944-01-01")
	u.takeOver("X", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	if err := u.in.StartDays(context.Background()); err != nil {
		t.Fatal(err)
	}
	u.settle()
	page := u.page("/")
	inOrder(t, page, "On hold: no needle there", ">Held<", "Look first: a caution stands", ">Established<", "Ready for the first blunt needle", ">Ready<",
		"Forming: sharp needles", ">Forming<", "In use past forming", "O&#39;Mark")
	says(t, page, "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;, O&#39;Mark &amp; Co", "<b>1</b> open hold<", "<b>1</b> ready", "<b>1</b> forming", "<b>3</b> established",
		"hold on track A1 since ", ": Swelling. [placed by a person]", `needle none`, "A rescue with a sharp needle on ", ", and no reason recorded.", `needle sharp`, `needle blunt`)
	if hasScript(page) {
		t.Error("a name became a script")
	}
	says(t, u.page(byIdentifier("X")), "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;")
	u.set(true, nil)
	says(t, u.page("/"), "newer messages may exist")
	u.set(false, errors.New("no log"))
	says(t, u.page("/"), "The log does not answer", ">Held<")
}

func TestAHoldOnAnAccessThatIsNoLongerUsedHoldsNobody(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("N", "Newly", "", "1940-01-01")
	u.takeOver("N", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.roster("N", at(70), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "clotted", Kind: v1.AccessKind_ACCESS_KIND_FISTULA}}})
	u.cannulation("N", at(60), &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Access: "clotted", PlacedBy: staff("nurse-1"), Reason: "no thrill"}}})
	u.settle()
	says(t, u.page("/"), "On hold: no needle there", "hold on access clotted since ", "<b>1</b> open hold<")
	u.roster("N", at(50), &v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: &v1.AccessRetired{Access: "clotted"}}})
	u.settle()
	page := u.page("/")
	says(t, page, "In use past forming", ">Newly<", "needle blunt", "<b>0</b> open holds<", "History: a hold on access clotted, no longer used, was never lifted (since ", ", placed by a person)")
	if strings.Contains(page, "On hold: no needle there") {
		t.Error("who has another access in use stands as on hold")
	}
	holds, err := u.cfg.Store.Holds(context.Background())
	if err != nil || len(holds) != 1 || holds[0].Stands() || holds[0].Place != "access clotted" {
		t.Errorf("alerts see %+v, %v", holds, err)
	}
	// A bacteraemia is the patient's: it stands also when the access is given up.
	if x := (view.HoldRow{Rule: rule.Bacteraemia, GivenUp: true}); !x.Stands() {
		t.Error("a bacteraemia went with its access")
	}
}

// A blood culture takes a day or two to grow: the result may come when the patient has died.
func TestABacteraemiaOfAPatientWhoHasLeftIsOnTheBoard(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	for _, p := range []string{"D", "T"} {
		u.identity(p, "Departed"+p, "", "1940-01-01")
		u.takeOver(p, "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	}
	u.hold("T", "A1", "swelling", at(6)) // of a patient who went elsewhere: that unit's
	for _, p := range []string{"D", "T"} {
		u.roster(p, at(5), &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_DEATH}}})
	}
	u.post(intake.FromSurveillance(&v1.RecordSurveillanceRequest{Envelope: u.envelope("D", at(4)), Facts: []*v1.SurveillanceFact{{Fact: &v1.SurveillanceFact_CultureResulted{
		CultureResulted: &v1.CultureResulted{CollectedAt: timestamppb.New(at(6)), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
			Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
			Organisms: []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS}}}}}}}))
	u.settle()
	page := u.page("/")
	says(t, page, ">DepartedD<", "Staphylococcus aureus in blood. [bacteraemia] The patient left the unit.", "<b>1</b> open hold<", "<b>0</b> established")
	if strings.Contains(page, "DepartedT") {
		t.Error("who left is on the board")
	}
	holds, err := u.cfg.Store.Holds(context.Background())
	if err != nil || len(holds) != 1 || !holds[0].Away || holds[0].Rule != rule.Bacteraemia {
		t.Errorf("alerts see %+v, %v", holds, err)
	}
	// Back again, everything that is open concerns the unit.
	u.roster("T", at(3), &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}})
	u.settle()
	says(t, u.page("/"), ">DepartedT<", "Swelling.", "<b>2</b> open holds<")
}

func TestBoardOfASharpOnlyUnit(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	sharpOnly := true
	u.roster("", at(95), &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: &v1.ProtocolAdopted{
		Version: "sharp", EffectiveFrom: at(95).Format(time.DateOnly), Protocol: &v1.Protocol{SharpOnly: &sharpOnly},
	}}})
	u.takeOver("E", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.settle()
	page := u.page("/")
	if strings.Contains(page, "needle blunt") || !strings.Contains(page, "needle sharp") {
		t.Error("the board offers a blunt needle where the protocol keeps tracks sharp")
	}
	if c := decode(t, u.get(byIdentifier("E"))); c.Tracks[0].Next.Needle != "sharp" {
		t.Errorf("the card says %q", c.Tracks[0].Next.Needle)
	}
}

func TestBoardOfChosenFacility(t *testing.T) {
	u := one(t)
	e := u.envelope("", at(100))
	e.Facility = "other-unit"
	u.rosterIn(e, &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{Name: "The other unit", TimeZone: "Asia/Kolkata", DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}}}})
	u.settle()
	says(t, u.page("/"), `<h2 id="unit-test-unit">`, `<h2 id="unit-other-unit">`)
	page := u.page("/?facility=other-unit")
	says(t, page, `<h2 id="unit-other-unit">`, `<option value="other-unit" selected>`, "<b>0</b> open holds")
	if strings.Contains(page, `<h2 id="unit-test-unit">`) || strings.Contains(page, "Quombave") {
		t.Error("the board of one unit shows another")
	}
}

func TestTooManyPatientsForOnePage(t *testing.T) {
	u := one(t)
	u.identity("P-2", "Second", "", "1951-03-12")
	u.takeOver("P-2", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	e := u.envelope("", at(100))
	e.Facility = "other-unit"
	u.rosterIn(e, &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{Name: "The other unit", TimeZone: "Asia/Kolkata", DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}}}})
	u.settle()
	u.cfg.ListLimit = 1
	u.handler = web.Pages(u.cfg)
	page := u.page("/")
	says(t, page, "2 patients are too many for one page", `<a href="./?facility=test-unit">2 patients, 3 tracks, 1 open hold</a>`, `name="identifier"`)
	if strings.Contains(page, "Quombave") {
		t.Error("a name is listed where only facilities are")
	}
	says(t, u.page("/?facility=test-unit"), "Quombave, Zaph", "Second")
}

// TestNames: a merged identity gives the survivor, a destroyed key gives nothing, and one
// that cannot be opened does not take the others away.
func TestNames(t *testing.T) {
	u := one(t)
	u.identity("OLD", "Oldname", "", "1951-03-12")
	u.identity("GONE", "Erased", "Person", "1930-01-01")
	u.roster("P-1", at(20), &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: &v1.PatientIdentifier{System: system, Value: "OLD"}}}})
	u.settle()
	key := func(v string) string { return u.ring.PatientKey(system, v) }
	ctx := context.Background()
	if err := u.ring.Destroy(ctx, key("GONE")); err != nil {
		t.Fatal(err)
	}
	names, err := u.cards.Names(ctx, []string{key("P-1"), key("OLD"), key("GONE"), "never"})
	if err != nil {
		t.Fatal(err)
	}
	if n := names[key("P-1")]; n.Name != "Quombave, Zaph" || n.BirthDate != "1951-03-12" || n.ID != key("P-1") {
		t.Errorf("P-1 is %+v", n)
	}
	if n := names[key("OLD")]; n.Name != "Quombave, Zaph" || len(n.Identifiers) != 2 {
		t.Errorf("the merged identity is %+v, want the survivor with both identifiers", n)
	}
	for _, k := range []string{key("GONE"), "never"} {
		if n := names[k]; n.Name != "" || n.BirthDate != "" || len(n.Identifiers) != 0 {
			t.Errorf("%s is %+v, want nothing", k, n)
		}
	}
	one := decode(t, u.get(byIdentifier("P-1")))
	if got := names[key("P-1")]; got.Name != one.Patient.Name || len(got.Identifiers) != len(one.Patient.Identifiers) {
		t.Errorf("the board names %+v, the card %+v", got, one.Patient)
	}
}

func TestQuarantineIsSaid(t *testing.T) {
	u := one(t)
	key := u.ring.PatientKey(system, "P-1")
	id := record.EventID("engine-test", "damaged")
	if _, _, err := u.log.Append(context.Background(), &logv1.Event{
		Id: id, Source: "engine-test", SourceMessageId: "damaged", Facility: facility, PatientKey: key, PatientSealed: []byte("not sealed"),
		OccurredAt: timestamppb.New(at(1)), Precision: v1.TimePrecision_TIME_PRECISION_DAY,
		Facts: []*logv1.Fact{{Fact: &logv1.Fact_IdentitySealed{IdentitySealed: &logv1.IdentitySealed{Sealed: []byte("neither")}}}},
	}); err != nil {
		t.Fatal(err)
	}
	u.settle()
	says(t, u.page("/"), "1 message could not be understood and is not on this board", "1 message not understood")
	if c := decode(t, u.get(byIdentifier("P-1"))); c.Quarantined != 1 {
		t.Errorf("quarantined is %d, want 1", c.Quarantined)
	}
}

// TestBoardOf300Patients bounds what a full unit's board costs; the bound is loose because
// the machine is shared, the measured time is logged.
func TestBoardOf300Patients(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	for i := range 300 {
		p := fmt.Sprintf("N-%03d", i)
		u.identity(p, fmt.Sprintf("Family%03d", i), "Given", "1950-05-05")
		u.takeOver(p, "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	}
	u.settle()
	began := time.Now()
	page := u.page("/")
	first := time.Since(began)
	began = time.Now()
	u.page("/")
	t.Logf("first %s, again %s, %d bytes", first, time.Since(began), len(page))
	if n := strings.Count(page, `role="rowheader"`); n != 300 {
		t.Errorf("%d patients on the board, want 300", n)
	}
	says(t, page, "Family000, Given", "Family299, Given")
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("the board took %s", took)
	}
}
