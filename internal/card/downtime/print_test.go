package downtime_test

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/card/downtime"
)

func printedAt() time.Time { return time.Date(2026, 7, 6, 18, 5, 0, 0, time.UTC) }

// patient is an invented patient's card, written by hand.
func patient(id, name, number string) card.Card {
	gauge, angle, depth := uint32(16), 25.0, 4.5
	at := time.Date(2026, 7, 6, 9, 30, 0, 0, time.UTC)
	return card.Card{
		Patient: card.Patient{ID: id, Name: name, BirthDate: "1950-01-02",
			Identifiers: []card.Identifier{{System: "https://cannulary.example/mrn", Value: number}}},
		Facility: "unit-invented", TimeZone: "Europe/Lisbon", AsOf: at, KnownAt: at, LastFactAt: &at, Holds: []card.Hold{},
		Use: card.Use{Access: "F1", Text: "Access F1 (the only one recorded)."},
		Accesses: []card.Access{{Name: "F1", Kind: "native fistula", InUse: true,
			Findings: []card.Finding{{Rule: "outflow-sign", Severity: "caution", Scope: "access F1", Text: "no collapse", Since: at}}}},
		Tracks: []card.Track{{ID: "t" + id, Name: "A1", Role: "arterial", Access: "F1", Stage: "forming", SessionsCounted: 3,
			SessionsTarget: 6,
			Next: card.Next{Needle: "sharp", Session: 4, Gauge: &gauge, AngleDegrees: &angle, DepthMillimetres: &depth,
				Direction: "antegrade", Who: []string{"CN-01"}, Why: "forming"},
			Preparation: []card.Step{{Phase: card.PhaseExamine, Text: "Look, listen and feel"}, {Phase: card.PhasePrepare, Text: "Wash"},
				{Phase: card.PhasePrepare, Text: "Disinfect"}},
			OnResistance: []string{"Never force it."}, Handover: []card.Item{{Name: "Landmarks", Text: "wrist", Recorded: true},
				{Name: "Picture", Text: card.NotRecorded}},
			Findings: []card.Finding{{Rule: "hard-entry", Severity: "note", Scope: "track A1", Text: "3 passes", Since: at},
				{Rule: "outflow-sign", Severity: "caution", Scope: "access F1", Text: "no collapse", Since: at}},
			Recent: []card.Visit{{Date: "2026-07-04", Needle: "sharp", Attempts: 1, Success: true, Counted: true}},
		}},
		Notices: []string{"The kind of access F1 is not recorded."}, Caution: card.Caution,
	}
}

func hold(c card.Card) card.Card {
	c.StandingHold = true
	c.Holds = []card.Hold{{ID: "h1", Rule: "thrill-absent", Scope: "access F1", Accesses: []string{"F1"}, Seen: "no thrill",
		Text: "No thrill. Do not needle. Call now. Hold since 2026-07-06 10:30 WEST (thrill-absent).", Urgent: true, Since: c.AsOf}}
	c.Tracks[0].Held = []string{"h1"}
	c.Tracks[0].Next = card.Next{Needle: "none", Why: "a hold is open"}
	c.Tracks[0].Preparation, c.Tracks[0].OnResistance = []card.Step{{Phase: card.PhaseStop, Text: "Do not needle track A1."}}, nil
	return c
}

func printed(t *testing.T, c card.Card) string {
	t.Helper()
	var b bytes.Buffer
	if err := downtime.PrintCard(&b, c, printedAt()); err != nil {
		t.Fatal(err)
	}
	return b.String()
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
			t.Errorf("%q stands at %d, what comes before it at %d", w, i, last)
		}
		last = max(last, i)
	}
}

var loads = regexp.MustCompile(
	`(?i)<(script|link|img|iframe|object|embed|form|meta http-equiv)\b|@import|url\(|javascript:|<[^>]*\s(on[a-z]+|src)\s*=`)

// alone fails for whatever a page would have to load, or could run.
func alone(t *testing.T, page string) {
	t.Helper()
	if found := loads.FindString(page); found != "" {
		t.Errorf("the page has %q", found)
	}
}

func TestPrintedCard(t *testing.T) {
	page := printed(t, patient("p1", "Zelthozumbrox, Quilewilth", "MRN-1"))
	inOrder(t, page, "<b>Zelthozumbrox, Quilewilth</b>", "1950-01-02", "MRN-1", "as of 2026-07-06 10:30 WEST",
		"printed at 2026-07-06 19:05 WEST", "this paper does not update itself",
		"No hold was recorded", "The kind of access F1", "no collapse",
		"▲ SHARP NEEDLE", "16G · 25° · with the flow · 4.5 mm deep · session 4 of 6", "3 passes",
		"A1 arterial: site not recorded", "A1 from the side", "EXAMINE", "Look, listen and feel", "PREPARE",
		`<ol start="2">`, "ON RESISTANCE",
		"LAST SESSIONS", "HANDOVER", "wrist", `<dd class="missing">not recorded</dd>`,
		"Done by hand while the service was down: Zelthozumbrox, Quilewilth, born 1950-01-02, MRN-1", "Date and time",
		"Sharp, blunt, gauge", "Attempts", "Angle in, out", "Cannulator", "Haemo&shy;stasis, min", "Remarks", html.EscapeString(card.Caution))
	alone(t, page)
	says(t, page, "size: A4", "<style>", `lang="en"`)
	if n := strings.Count(page, "<td><b>A1</b></td>"); n != 2 {
		t.Errorf("%d blank lines for the track, want 2", n)
	}
	if n := strings.Count(page, "no collapse"); n != 1 {
		t.Errorf("a finding of the access stands %d times", n)
	}
}

func TestPrintedHold(t *testing.T) {
	page := printed(t, hold(patient("p1", "Zelthozumbrox, Quilewilth", "MRN-1")))
	inOrder(t, page, "HOLD: ACCESS F1, NO NEEDLE", "URGENT", "No thrill. Do not needle. Call now.", "Hold h1", "✕ NO NEEDLE",
		"Do not needle track A1.")
	for _, never := range []string{"No hold was recorded", "16G", "ON RESISTANCE", "▲"} {
		if strings.Contains(page, never) {
			t.Errorf("the page of a held patient says %q", never)
		}
	}
}

// In capitals a hold of track a1 would be read as one of track A1.
func TestPrintedNamesStandAsTheyWereSent(t *testing.T) {
	c := hold(patient("p1", "Zelthozumbrox, Quilewilth", "MRN-1"))
	c.Holds[0].Scope, c.Holds[0].Accesses, c.Holds[0].Tracks = "access f1, track a1", []string{"f1"}, []string{"a1"}
	page := printed(t, c)
	says(t, page, "HOLD: ACCESS f1, TRACK a1, NO NEEDLE")
	if strings.Contains(page, "TRACK A1") {
		t.Error("the paper holds the other track")
	}
}

// History is said once and quietly; reports shown as one hold are named together; what is the
// plan's stands by the track.
func TestPrintedHistoryIdsAndRemarks(t *testing.T) {
	c := hold(patient("p1", "Zelthozumbrox, Quilewilth", "MRN-1"))
	c.Holds[0].IDs = []string{"h1", "h4"}
	c.History = []card.Hold{{ID: "h9", Scope: "access F0", Text: "A hold on access F0, which is no longer used, was never lifted."}}
	c.Tracks[0].Remarks = []string{"The plan says otherwise: angle 28°. Follow the track as it was made."}
	c.Tracks[0].Findings = append(c.Tracks[0].Findings, card.Finding{Rule: "site-infection", Severity: "stop", Scope: "track A1",
		Text: "Pus.", Hold: "h4"})
	c.Tracks[0].Next.Caution, c.Tracks[0].Next.Why = "Not needled since 2026-05-01.", "Not needled since 2026-05-01. A hold is open."
	page := printed(t, c)
	says(t, page, "<b>Look first:</b> Not needled since 2026-05-01.</p><p>A hold is open.")
	inOrder(t, page, "2 holds, to be lifted together: h1, h4",
		"History: A hold on access F0, which is no longer used, was never lifted. Hold h9.",
		"The plan says otherwise: angle 28°.", "WHAT TO DO")
	if strings.Count(page, "F0") != 1 || strings.Contains(page, "Pus.") {
		t.Error("what the hold says is said again")
	}
}

func TestPrintedCardOfNothing(t *testing.T) {
	page := printed(t, card.Card{Patient: card.Patient{ID: "p"}, Caution: card.Caution})
	says(t, page, "(name not stated)", "(not stated)", "no identifier can be shown", "facility not known", "last fact none",
		"No constant-site track in use", "UTC")
	if !strings.Contains(page, "Done by hand") || strings.Count(page, "<tr><td><b>arterial</b></td><td></td>") != 2 {
		t.Error("whoever has no track is needled too: there are no lines to write on")
	}
	retired := patient("p1", "Zel", "1")
	retired.Tracks[0].Stage, retired.Tracks[0].Next = "retired", card.Next{Needle: "none", Why: "the track was given up"}
	page = printed(t, retired)
	says(t, page, "Arterial track A1: The track was given up. Do not needle it.", "No constant-site track in use")
}

// What people type is text, never markup.
func TestPrintedTextIsNoMarkup(t *testing.T) {
	c := hold(patient("p1", `<script>alert("x")</script>`, `"><img src=x>`))
	c.Holds[0].Text = `<b onclick="x">seen</b>`
	c.Tracks[0].Handover[0].Text = "</style><script>"
	page := printed(t, c)
	alone(t, page)
	says(t, page, "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;", "&lt;b onclick=&#34;x&#34;&gt;seen")
	var b bytes.Buffer
	if err := downtime.PrintIndex(&b, []card.Card{c}, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	says(t, b.String(), "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;")
	if strings.Contains(b.String(), "<script") {
		t.Error("a name became a script")
	}
}

func TestIndexIsSortedAndMarksHolds(t *testing.T) {
	cards := []card.Card{patient("p4", "", "9"), hold(patient("p3", "zelthozumbrox, b", "7")), patient("p2", "Zelthozumbrox, B", "5"),
		patient("p1", "Abbothrizel, C", "8")}
	cards[0].AsOf = cards[0].AsOf.Add(-time.Hour)
	var b bytes.Buffer
	if err := downtime.PrintIndex(&b, cards, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	alone(t, page)
	inOrder(t, page, "4 cards, 1 with a hold", "as of 2026-07-06 09:30 WEST", "printed at 2026-07-06 19:05 WEST", "does not update itself",
		`href="card-p1.html">Abbothrizel, C`, `href="card-p2.html">Zelthozumbrox, B`, `<tr class="held"><td>–</td><td><a href="card-p3.html">`,
		"■ HOLD</span> access F1", `href="card-p4.html">(name not stated)`, html.EscapeString(card.Caution), "The log when this was printed: <b>"+head)
	says(t, page, "A1: forming, next SHARP 16G 25°", "A1: forming, next NONE", "No schedule is recorded")
	if strings.Contains(page, "newer facts may exist") || strings.Contains(page, "other-unit") {
		t.Error("the index says what is not so")
	}
	cards[1].Lagging, cards[2].Facility = true, "other-unit"
	cards[3].Findings = []card.Finding{{Rule: card.IdentityConflict, Severity: "caution", Text: "The birth date was stated as 1950-01-01, then as 1951-01-01. Make sure who this is before you needle."}}
	b.Reset()
	if err := downtime.PrintIndex(&b, cards, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	says(t, b.String(), "<b>The birth date was stated as 1950-01-01, then as 1951-01-01. Make sure who this is before you needle.</b>", "newer facts may exist", "<h2>other-unit: No schedule", "<h2>unit-invented: No schedule", "printed at 2026-07-06 18:05 UTC")
	b.Reset()
	if err := downtime.PrintIndex(&b, nil, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	says(t, b.String(), "0 cards, 0 with a hold", "No patient was recorded.")
}

// head is the log's, as an instance prints it.
const head = "main:4711:0123-4567-89ab-cdef-0123-4567-89ab-cdef"

// Who is due stands first, by day and shift; nobody is missing, and nobody due stands twice on a day.
func TestTheListSaysWhoIsDue(t *testing.T) {
	due := func(id, name, shift string, days ...string) card.Card {
		c := patient(id, name, "N"+id)
		if days != nil {
			c.Schedule = &card.Schedule{Days: days, Shift: shift}
		}
		c.Due = []card.Due{{Date: "2026-07-06", Due: slices.Contains(days, "Monday")}, {Date: "2026-07-07", Due: slices.Contains(days, "Tuesday")}}
		return c
	}
	// 6 July 2026 is a Monday.
	cards := []card.Card{due("p1", "Abb", "evening", "Monday"), due("p2", "Bcc", "morning", "Monday", "Tuesday"), due("p3", "Cdd", "", "Tuesday"),
		due("p4", "Dee", "morning", "Sunday"), due("p5", "Eff", "")}
	cards[4].Tracks = nil
	// By chair, as numbers.
	cards = append(cards, due("p6", "Abc", "morning", "Monday"))
	cards[5].Schedule.Chair, cards[1].Schedule.Chair = "10", "9"
	cards[3].Due[0].Hospital = "2026-07-01"
	cards[1].ChangesOn, cards[2].ChangesOn = "2026-07-07", "2026-07-08" // Bcc is due on both days
	gauge := uint32(15)
	cards[4].Treatments = []card.Treatment{{Date: "2026-07-04", Access: "G1", Problems: []string{"haematoma"},
		Needles: []card.OneNeedle{{Role: "arterial", Needle: "sharp", Gauge: &gauge, Pattern: "rope ladder"}}}}
	var b bytes.Buffer
	if err := downtime.PrintIndex(&b, cards, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	alone(t, b.String())
	inOrder(t, b.String(), "Due Monday 6 July, shift: morning", "<td>9</td>", ">Bcc<", "<td>10</td>", ">Abc<", "Due Monday 6 July, shift: evening", ">Abb<",
		"Due Tuesday 7 July, shift: morning", "Due Tuesday 7 July, shift: not recorded", ">Cdd<", "Not due on these days", ">Dee<", "in hospital since 2026-07-01",
		"No schedule is recorded", ">Eff<", "last 2026-07-04: access G1, arterial sharp 15G (rope ladder), haematoma")
	inOrder(t, b.String(), "Due Tuesday 7 July, shift: morning", "From 2026-07-07 another needle may be right", "Due Tuesday 7 July, shift: not recorded")
	if n := strings.Count(b.String(), "another needle may be right"); n != 1 {
		t.Errorf("%d lines say that another needle may be right, want that of the day on which it may be", n)
	}
	for name, n := range map[string]int{"Abb": 1, "Bcc": 2, "Cdd": 1, "Dee": 1, "Eff": 1} {
		if got := strings.Count(b.String(), ">"+name+"<"); got != n {
			t.Errorf("%s stands %d times, want %d", name, got, n)
		}
	}
}

// What is printed in one go holds the list first and then everybody's sheets.
func TestPrintAll(t *testing.T) {
	cards := []card.Card{hold(patient("p2", "Zelthozumbrox, B", "5")), patient("p1", "Abbothrizel, C", "8")}
	var b bytes.Buffer
	if err := downtime.PrintAll(&b, cards, printedAt(), head); err != nil {
		t.Fatal(err)
	}
	alone(t, b.String())
	inOrder(t, b.String(), "2 cards, 1 with a hold", "No schedule is recorded", "<b>Abbothrizel, C</b> born", "Done by hand",
		"<b>Zelthozumbrox, B</b> born", "HOLD: ACCESS F1, NO NEEDLE")
	ids := map[string]bool{}
	for _, id := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(b.String(), -1) {
		if ids[id[1]] {
			t.Errorf("the id %s stands twice in one file", id[1])
		}
		ids[id[1]] = true
	}
	if len(ids) == 0 {
		t.Error("no drawing was looked at")
	}
}

// Steps of two tracks stand once where they are the same, and name their track where they are not.
func TestStepsOfTwoTracksAreOneList(t *testing.T) {
	c := patient("p1", "Zel", "1")
	v := c.Tracks[0]
	v.Name, v.Role = "V1", "venous"
	c.Tracks[0].Preparation = []card.Step{{Phase: card.PhaseExamine, Text: "Look"}, {Phase: card.PhaseInsert, Text: "Taut"},
		{Phase: card.PhaseInsert, Text: "At 25°"}, {Phase: card.PhaseInsert, Text: "Tape"}, {Phase: card.PhaseAfter, Text: "Press"}}
	v.Preparation = []card.Step{{Phase: card.PhaseExamine, Text: "Look"}, {Phase: card.PhaseInsert, Text: "Taut"},
		{Phase: card.PhaseInsert, Text: "At 28°"}, {Phase: card.PhaseInsert, Text: "Tape"}, {Phase: card.PhaseAfter, Text: "Press"}}
	v.OnResistance = c.Tracks[0].OnResistance
	c.Tracks = append(c.Tracks, v)
	page := printed(t, c)
	inOrder(t, page, "<li>Look</li>", `<ol start="2">`, "<li>Taut</li>", "<li>A1: At 25°</li>", "<li>V1: At 28°</li>", "<li>Tape</li>",
		`<ol start="6">`, "<li>Press</li>", "ON RESISTANCE, A1, V1")
	for _, s := range []string{"<li>Look</li>", "<li>Tape</li>", "Never force it."} {
		if strings.Count(page, s) != 1 {
			t.Errorf("%s stands %d times", s, strings.Count(page, s))
		}
	}
}

// What a sheet has no room for is counted, never dropped in silence; holds are never left out.
func TestWhatASheetHasNoRoomFor(t *testing.T) {
	c := hold(patient("p1", "Zel", "1"))
	for i := range 9 {
		h := c.Holds[0]
		h.ID = fmt.Sprint("h", i+2)
		c.Holds = append(c.Holds, h)
		c.Notices = append(c.Notices, fmt.Sprint("notice ", i))
		c.Accesses[0].Findings = append(c.Accesses[0].Findings, card.Finding{Rule: "flow-low", Severity: "caution", Scope: "access F1", Text: "flow"})
	}
	c.Tracks[0].Handover[0].Text = strings.Repeat("crease ", 60)
	page := printed(t, c)
	says(t, page, "5 more to know: see the card on a screen.", "6 more findings: see the card on a screen.", "… (whole on the screen)")
	if n := strings.Count(page, "HOLD: ACCESS F1, NO NEEDLE"); n != 10 {
		t.Errorf("%d of 10 holds are printed", n)
	}
}

// Nothing on paper is smaller than 9 points, drawings aside, whose labels the print makes larger.
func TestNothingIsSmallerThanNinePoints(t *testing.T) {
	sizes := regexp.MustCompile(`([0-9.]+)pt(?:/[0-9.]+)? "Liberation|font-size: ([0-9.]+)pt`).FindAllStringSubmatch(printed(t, patient("p", "Z", "1")), -1)
	if len(sizes) < 5 {
		t.Fatalf("only %d sizes were found", len(sizes))
	}
	for _, s := range sizes {
		var v float64
		if _, err := fmt.Sscan(s[1]+s[2], &v); err != nil || v < 9 {
			t.Errorf("%s: %v", s[0], err)
		}
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no room") }

func TestPrintingToAFullDisk(t *testing.T) {
	for name, err := range map[string]error{
		"card":  downtime.PrintCard(full{}, patient("p", "Zel", "1"), printedAt()),
		"index": downtime.PrintIndex(full{}, nil, printedAt(), head),
	} {
		if err == nil || !strings.Contains(fmt.Sprint(err), "no room") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
