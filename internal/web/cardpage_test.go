package web_test

import (
	"html"
	"maps"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

// planned plans both tracks of a patient's fistula, with what a drawing needs.
func (u *unit) planned(patient string, change ...func(*v1.TrackPlanned)) {
	u.t.Helper()
	u.roster(patient, at(85), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "fistula",
		Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_RIGHT, Region: v1.AccessRegion_ACCESS_REGION_UPPER_ARM}}})
	plan := func(name string, role v1.NeedleRole, site uint32, angle float64) *v1.TrackPlan {
		depth, gauge := 5.5, uint32(15)
		return &v1.TrackPlan{Track: name, Role: role, SiteFromAnastomosisMillimetres: &site, AngleDegrees: &angle, DepthMillimetres: &depth,
			Gauge: &gauge, Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, Bevel: v1.Bevel_BEVEL_UP}
	}
	tips := uint32(66)
	p := &v1.TrackPlanned{Access: "fistula", TipDistanceMillimetres: &tips, Tracks: []*v1.TrackPlan{
		plan("A1", v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, 61, 27), plan("V1", v1.NeedleRole_NEEDLE_ROLE_VENOUS, 128, 24)}}
	for _, f := range change {
		f(p)
	}
	u.cannulation(patient, at(80), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: p}})
}

// cardPageOf is the page of a patient's card.
func (u *unit) cardPageOf(patient, query string) string {
	u.t.Helper()
	a := u.get(byIdentifier(patient)+"&format=html"+query, "text/html")
	if a.status != http.StatusOK {
		u.t.Fatalf("%s%s: %d %s", patient, query, a.status, a.body)
	}
	return a.body
}

// What both needles, the drawn limb and the drawn sides say is what was recorded.
func TestTheCardShowsBothNeedlesAndTheLimb(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("P-1", "Quombave", "Zaph", "1951-03-12")
	u.planned("P-1")
	u.settle()
	page := u.cardPageOf("P-1", "")
	says(t, page, "No hold is recorded. Look, listen and feel before you needle.", "Arterial · <span class=\"name\">A1</span>", "Venous · <span class=\"name\">V1</span>",
		"▲</span> Sharp 15G", "<dd>27°</dd>", "<dd>24°</dd>", "<dd>5.5 mm</dd>", "<dd>with the flow</dd>", "<dd>up</dd>", "Session 1 of 6", "0 of 6 count",
		"Right upper arm: native fistula fistula", "Track A1 arterial, 61 mm from the anastomosis, needle with the flow.",
		"The needle tips are 66 mm apart, as measured.", "Keep 38 mm away", "Track V1 from the side. Angle to the skin 24°. The vessel lies 5.5 mm below the skin.")
	// Both needles stand before anything that folds out, and before the drawings.
	for _, after := range []string{"<details", "<svg"} {
		if i, k := strings.LastIndex(page, `class="next-needle`), strings.Index(page, after); i < 0 || k < i {
			t.Errorf("a needle stands at %d, behind %s at %d", i, after, k)
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("the id %s stands twice", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`(?:aria-labelledby|for)="([^"]+)"|href="#([^"]+)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(m[1] + m[2]) {
			if !ids[id] {
				t.Errorf("nothing has the id %s", id)
			}
		}
	}
}

// Two accesses are kept apart beside the needle, and a patient who was dialysed through another one gets a line about it.
func TestTheNeedleSaysWhereItsAccessIs(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("P-1", "Quombave", "Zaph", "1951-03-12")
	created := func(name string, kind v1.AccessKind, side v1.BodySide, region v1.AccessRegion) {
		u.roster("P-1", at(85), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: name, Kind: kind,
			Side: side, Region: region}}})
	}
	track := func(access, name string) {
		u.cannulation("P-1", at(80), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: access,
			Tracks: []*v1.TrackPlan{{Track: name, Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}}}})
	}
	u.planned("P-1")
	created("f2", v1.AccessKind_ACCESS_KIND_FISTULA, v1.BodySide_BODY_SIDE_LEFT, v1.AccessRegion_ACCESS_REGION_FOREARM)
	created("g3", v1.AccessKind_ACCESS_KIND_GRAFT, v1.BodySide_BODY_SIDE_LEFT, v1.AccessRegion_ACCESS_REGION_UNSPECIFIED)
	created("f4", v1.AccessKind_ACCESS_KIND_FISTULA, v1.BodySide_BODY_SIDE_UNSPECIFIED, v1.AccessRegion_ACCESS_REGION_THIGH)
	for access, name := range map[string]string{"f2": "a2", "g3": "a3", "f4": "a4", "f5": "a5"} {
		track(access, name)
	}
	u.sharp("P-1", "A1", at(2))
	u.settle()
	wheres := regexp.MustCompile(`<span class="name">([^<]*)</span>(?s:.*?)<p class="where">(.*?)</p>`)
	where := func() map[string]string {
		out := map[string]string{}
		for _, m := range wheres.FindAllStringSubmatch(u.cardPageOf("P-1", ""), -1) {
			out[m[1]] = m[2]
		}
		return out
	}
	want := map[string]string{"A1": "<b>Right upper arm</b> · access fistula", "V1": "<b>Right upper arm</b> · access fistula",
		"a2": "<b>Left forearm</b> · access f2", "a3": "<b>Left</b> · access g3 · graft",
		"a4": "<b>Thigh, side not recorded</b> · access f4", "a5": "<b>Side not recorded</b> · access f5"}
	if got := where(); !maps.Equal(got, want) {
		t.Errorf("the needles are at %v, want %v", got, want)
	}
	says(t, u.cardPageOf("P-1", ""), "In use: right upper arm, access fistula. Tracks ")

	created("c6", v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, v1.BodySide_BODY_SIDE_RIGHT, v1.AccessRegion_ACCESS_REGION_NECK_OR_CHEST)
	u.cannulation("P-1", at(1), &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "c6"}}})
	u.settle()
	page := u.cardPageOf("P-1", "")
	says(t, page, "In use: right neck or chest, access c6, tunneled catheter. Tracks ", " lie on another access.")
	if i, k := strings.Index(page, "In use: right neck"), strings.Index(page, `class="next-needle`); i < 0 || k < i {
		t.Error("what is in use stands below the needles")
	}
	u.cfg.Language = "de"
	u.handler = web.Pages(u.cfg)
	says(t, u.cardPageOf("P-1", ""), "In Gebrauch: rechts, Hals oder Brust, Zugang c6, getunnelter Katheter.", "<b>Links, Unterarm</b> · Zugang f2")
}

// Where all needles are in the access in use, nothing is said of another.
func TestTheAccessInUseIsNotSaidTwice(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("P-1", "Quombave", "Zaph", "1951-03-12")
	u.planned("P-1")
	u.settle()
	if page := u.cardPageOf("P-1", ""); strings.Contains(page, "In use: ") || strings.Contains(page, "another access") {
		t.Error("the card speaks of another access where there is one")
	}
}

// A patient with another technique gets the last needles, what went wrong, and is told that the
// spot is not on record.
func TestTheCardOfAnotherTechnique(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	u.identity("G-1", "Quombave", "Zaph", "1951-03-12")
	u.roster("G-1", at(85), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "G1", Kind: v1.AccessKind_ACCESS_KIND_GRAFT}}})
	gauge, angle := uint32(15), 31.0
	needle := func(role v1.NeedleRole, outcome v1.InsertionOutcome, ordinal uint32) *v1.CannulationFact {
		return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: &v1.NeedleInserted{Access: "G1", Role: role, AttemptOrdinal: ordinal,
			Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: &gauge, AngleDegrees: &angle, Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER,
			Cannulator: staff("nurse-4"), Outcome: outcome}}}
	}
	const ok, failed = v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, v1.InsertionOutcome_INSERTION_OUTCOME_FAILED
	u.cannulation("G-1", at(2), needle(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, failed, 1), needle(v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, ok, 2),
		needle(v1.NeedleRole_NEEDLE_ROLE_VENOUS, ok, 1), &v1.CannulationFact{Fact: &v1.CannulationFact_ComplicationSeen{
			ComplicationSeen: &v1.ComplicationSeen{Access: "G1", Kind: v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA}}})
	u.roster("C-1", at(85), &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "C1", Kind: v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER}}})
	u.settle()
	page := u.cardPageOf("G-1", "")
	says(t, page, "Access G1 is a graft. Look, listen and feel, then choose the sites.", "Arterial · last time, "+at(2).Format(time.DateOnly), "Sharp 15G",
		"sharp 15G, 31°, direction not recorded, rope ladder", "2 attempts.", "By nurse-4.", "<b>Problems then:</b> haematoma", html.EscapeString(card.SpotUnknown))
	if strings.Contains(page, `class="next-needle`) {
		t.Error("a next needle is shown where no track is")
	}
	catheter := u.cardPageOf("C-1", "")
	says(t, catheter, "Access C1 is a tunneled catheter: no needle.")
	if strings.Contains(catheter, card.SpotUnknown) || strings.Contains(catheter, "▲") {
		t.Error("a needle is spoken of where none was")
	}
}

// The page of another moment says in plain words which, and from what knowledge.
func TestAnotherMomentInPlainWords(t *testing.T) {
	u := one(t)
	auckland, err := time.LoadLocation("Pacific/Auckland")
	if err != nil {
		t.Fatal(err)
	}
	day := time.Now().In(auckland).AddDate(0, 0, -2)
	clock := func(hour int) string {
		return time.Date(day.Year(), day.Month(), day.Day(), hour, 15, 0, 0, auckland).UTC().Format(time.RFC3339)
	}
	morning := time.Date(day.Year(), day.Month(), day.Day(), 5, 0, 0, 0, auckland).UTC().Format(time.RFC3339)
	name := day.Format("Mon 2 Jan")
	if day.Year() != time.Now().In(auckland).Year() {
		name += " " + strconv.Itoa(day.Year())
	}
	for query, want := range map[string]string{
		"&as_of=" + clock(7):                  "As it looked on " + name + " at 07:15, from what is known today.",
		"&as_of=" + morning:                   "As it looked on the morning of " + name + ", from what is known today.",
		"&as_of=" + day.Format(time.DateOnly): "As it looked on the evening of " + name + ", from what is known today.",
	} {
		says(t, u.cardPageOf("P-1", query), "This is not the present. Do not needle by it.", want, ">Show it as it is now</a>")
	}
	// Before the log held anything: as it looked then, from what was known then.
	says(t, u.cardPageOf("P-1", "&as_of="+clock(7)+"&known_at="+clock(7)), "from what was known then.")
	// Nothing was known then, not even the facility: these times are UTC.
	for query, want := range map[string]string{
		"&as_of=" + clock(7) + "&known_at=" + clock(14): `As it looked [^<]*, from what was known on `,
		"&known_at=" + clock(7):                         `As it looks now, from what was known on `,
	} {
		if page := u.cardPageOf("P-1", query); !regexp.MustCompile(want).MatchString(page) {
			t.Errorf("%s: the page does not say %q", query, want)
		}
	}
	if strings.Contains(u.cardPageOf("P-1", ""), "not the present") {
		t.Error("the card of now is called another moment's")
	}
}

// A scan on the card asks whether the wristband is this patient's, and a page in another language is
// whole.
func TestAScanAndAnotherLanguage(t *testing.T) {
	u := one(t)
	page := u.cardPageOf("P-1", "")
	form := regexp.MustCompile(`(?s)<form class="wristband" action="(\w+)" method="get">.*?name="patient" value="([0-9a-f]+)".*?name="(\w+)" required`).
		FindStringSubmatch(page)
	if form == nil {
		t.Fatal("the card has no field for a scan")
	}
	a := u.get("/"+form[1]+"?patient="+form[2]+"&"+form[3]+"=P-1", "text/html")
	if a.status != http.StatusOK || !strings.Contains(a.body, "Quombave, Zaph") || !strings.Contains(a.body, `class="scan same"`) {
		t.Errorf("the scan of this patient's wristband is answered %d %s", a.status, a.body)
	}
	u.cfg.Language = "de"
	u.handler = web.Pages(u.cfg)
	says(t, u.cardPageOf("P-1", ""), "Zur Sicherheit das Armband scannen", "Warum, und woher")
}

// What people type is text, wherever the card shows it.
func TestHostileTextOnTheCard(t *testing.T) {
	u := open(t)
	u.register("Europe/Lisbon")
	const evil = `"><script>alert('x')</script><img src=x onerror=alert(1)>`
	u.identity("P-1", evil, "</title>"+evil, "1951-03-12")
	u.roster("P-1", at(85), &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{{System: system, Value: `'"><script>n</script>`}}, FamilyName: evil, GivenNames: "</title>", BirthDate: "1951-03-12"}}})
	u.planned("P-1", func(p *v1.TrackPlanned) {
		p.AllergyNotes, p.ArmPosition, p.OperatorPosition = evil, evil, evil
		p.Tracks[0].Landmarks, p.Tracks[0].Fallback, p.Tracks[0].PictureReference = evil, evil, "javascript:alert(1)"
	})
	u.sharp("P-1", "A1", at(5))
	u.hold("P-1", "A1", evil, at(3))
	u.cannulation("P-1", at(2), &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{Review: "R1", Track: "V1",
		OpenedBy: staff(evil[:20]), Reason: evil}}})
	u.settle()
	page := u.cardPageOf("P-1", "")
	says(t, page, "&lt;script&gt;alert", "javascript:alert(1)")
	if hasScript(page) || regexp.MustCompile(`(?i)<img|<[a-z][^<>"']*\son[a-z]+\s*=|href="javascript|style=`).MatchString(page) {
		t.Error("what a person typed became markup")
	}
	if n := strings.Count(page, "&lt;script&gt;"); n < 5 {
		t.Errorf("the hostile text stands %d times: less is looked at than this test says", n)
	}
}
