package card_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/card"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
	v1 "cannulary/proto/cannulary/v1"
)

var update = flag.Bool("update", false, "write the texts in testdata again; read the difference before you keep it")

// judged is an invented patient's judgement, written by hand, and how a test changes it.
type judged struct {
	in card.Input
	j  track.Judgement
}

func lisbon(t testing.TB) *time.Location {
	l, err := zone.Load("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// forming is a forming arterial track of a unit with pegs.
func forming(t testing.TB) *judged {
	now := time.Date(2026, 7, 6, 9, 30, 0, 0, time.UTC)
	pegs := protocol.From("2026-1", &v1.Protocol{UsesPegs: proto.Bool(true), TopicalProphylaxis: proto.Bool(true),
		Antiseptics: []v1.Antiseptic{v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE, v1.Antiseptic_ANTISEPTIC_ALCOHOL}})
	planned := &v1.TrackPlanned{Access: "F1", Engorgement: v1.Engorgement_ENGORGEMENT_TOURNIQUET, ArmPosition: "stretched on a cushion",
		OperatorPosition: "on the patient's right",
		AllergyNotes:     "plaster with colophony", TipDistanceMillimetres: proto.Uint32(70),
		Tracks: []*v1.TrackPlan{{Track: "A1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
			Landmarks: "three fingers above the wrist crease", Fallback: "rope ladder above the elbow",
			SiteFromAnastomosisMillimetres: proto.Uint32(60)}}}
	l := lisbon(t)
	return &judged{
		in: card.Input{
			Input: track.Input{AsOf: now, Zone: func(string) *time.Location { return l }},
			Patient: card.Patient{ID: "p1", Name: "Zelthozumbrox, Quilewilth", BirthDate: "1950-01-02",
				Identifiers: []card.Identifier{{System: "https://cannulary.example/mrn", Value: "MRN-1"}}},
			KnownAt: now,
		},
		j: track.Judgement{
			AsOf: now,
			Accesses: []track.AccessState{{Name: "F1", Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT,
				Region:   v1.AccessRegion_ACCESS_REGION_FOREARM,
				Examined: now.AddDate(0, 0, -2), ExaminedOn: "2026-07-04", NotExamined: []string{"bruit", "collapse on elevation"},
				Flow: proto.Float64(820), FlowAt: now.AddDate(0, -1, 0),
				PressureKnown: true, PressureAt: now.AddDate(0, 0, -9), PressureGauge: 16,
				Pressure: trend.Trend{N: 12, SlopePerTwelve: 4.25, P: 0.2}}},
			Tracks: []track.State{{
				ID: "t1", Name: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: track.Forming, Folded: track.Forming,
				Counted: 3, Target: 6,
				Extras:         []track.Extra{{Rule: rule.PegMissing, Text: "no peg is recorded as left after the session of 2026-06-29"}},
				ReferenceAngle: proto.Float64(25), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, Bevel: v1.Bevel_BEVEL_UP,
				Depth: proto.Float64(4.5),
				Gauge: proto.Uint32(16), NeedleLength: proto.Uint32(25), Creator: staff("CN-01"),
				Deputies: []*v1.StaffIdentifier{staff("CN-02"), staff("CN-01"), staff("CN-02")},
				Plan:     planned.Tracks[0], Planned: planned, Peg: track.PegIn, Protocol: pegs,
				Next: track.Next{Needle: track.Sharp, Session: 4,
					Why: "4 more sharp sessions before the first blunt needle. 3 of 7 sharp sessions count so far."},
				Recent: []track.Visit{
					{Date: "2026-07-04", Tip: track.Sharp, Attempts: 2, Success: true, InDoubt: true,
						WhyNot: []string{"same spot not recorded"}, Angle: proto.Float64(26), Gauge: proto.Uint32(16),
						Passes: proto.Uint32(3), Resistance: v1.Resistance_RESISTANCE_MODERATE, Pain: proto.Uint32(4), Who: staff("CN-02"),
						Complications: []string{"haematoma"}},
					{Date: "2026-07-01", Tip: track.Sharp, Attempts: 1, Success: true, Counted: true, Angle: proto.Float64(25),
						Gauge: proto.Uint32(16), Passes: proto.Uint32(1), Resistance: v1.Resistance_RESISTANCE_NONE, Who: staff("CN-01")},
				},
				Trends: track.Trends{Angles: trend.CircularSummary{N: 4, Mean: 25.25, Deviation: 0.5}, HaemostasisKnown: true,
					HaemostasisRun: 1, Haemostasis: trend.Band{N: 8, Median: 9, MAD: 1, Limit: 12}},
			}},
			Findings: []track.Finding{
				{ID: "f1", Rule: rule.HardEntry, Severity: rule.Note, Track: "A1", Access: "F1", Since: now.AddDate(0, 0, -2),
					Seen: "2 attempts, 3 passes", Asked: "one attempt, one pass, no resistance", Clears: "as many easy entries in a row",
					Facts: []string{"x.0"}},
				{ID: "f2", Rule: rule.OutflowSign, Severity: rule.Caution, Access: "F1", Since: now.AddDate(0, 0, -2),
					Seen: "no collapse when the arm is raised", Asked: "the fistula collapses",
					Clears: "an examination that finds the sign gone", Facts: []string{"y.0"}},
				{ID: "f3", Rule: rule.Infiltration, Severity: rule.Caution, Track: "A1", Access: "F1", Since: now.AddDate(0, 0, -1),
					Cleared: now, Seen: "over already"},
				{ID: "f4", Rule: rule.MergeWithoutEffect, Severity: rule.Caution, Since: now.AddDate(0, 0, -3),
					Seen: "a merge had no effect", Facts: []string{"z.0"}},
			},
		},
	}
}

// ready is the same track when it is ready for its first blunt needle.
func ready(t testing.TB) *judged {
	x := forming(t)
	s := &x.j.Tracks[0]
	s.Stage, s.Folded, s.Counted, s.Extras = track.Ready, track.Ready, 6, nil
	s.Next = track.Next{Needle: track.Blunt, Session: 1,
		Why: "Ready: 6 of 6 sharp sessions count, and the last entries were easy. This is the first blunt needle."}
	x.j.Findings = nil
	return x
}

// held is an established track whose access lost its thrill and whose site is infected.
func held(t testing.TB) *judged {
	x := ready(t)
	s := &x.j.Tracks[0]
	s.Stage, s.Folded, s.Streak = track.Established, track.Established, 9
	s.Next = track.Next{Needle: track.None, Why: "A hold is open: do not needle here. The hold says what clears it."}
	s.Held = []string{"h1", "h2"}
	s.Trends.BluntSessions, s.Trends.BluntSuccessful, s.Trends.BluntLower, s.Trends.BluntUpper = 20, 18, 0.683, 0.988
	s.Trends.Rescues, s.Trends.RescueSum, s.Trends.RescueLimit = 2, 3.1, 3
	r, _ := rule.Of(rule.ThrillAbsent)
	x.j.Holds = []track.Hold{
		{ID: "h1", Rule: rule.ThrillAbsent, Accesses: []string{"F1"}, Since: x.in.AsOf.Add(-time.Hour), Text: "no thrill was felt",
			Asked: r.Asks, Clears: r.Clears, Ground: "g.0"},
		{ID: "h2", Rule: rule.SiteInfection, Tracks: []string{"A1", "V9"}, Since: x.in.AsOf.Add(-time.Minute), Text: "pus at the site.",
			GroundWithdrawn: true},
		{ID: "h3", Rule: rule.Person, Tracks: []string{"A1"}, Since: x.in.AsOf.AddDate(0, 0, -9), Text: "over already",
			Lifted: x.in.AsOf.AddDate(0, 0, -8)},
	}
	return x
}

func (x *judged) card() card.Card { return card.Of(x.in, x.j) }

func golden(t testing.TB) map[string]card.Card {
	scab := ready(t)
	scab.j.Tracks[0].Next = track.Next{Needle: track.None,
		Why: "Remove the whole scab, disinfect again and record it. No blunt needle before that."}
	scab.j.Findings = []track.Finding{{ID: "f9", Rule: rule.ScabIncomplete, Severity: rule.Stop, Track: "A1", Access: "F1",
		Since: scab.in.AsOf.Add(-5 * time.Minute),
		Seen:  "the scab was left in part", Asked: "the scab is wholly removed before a blunt needle goes in",
		Clears: "a later preparation in the same session removes the scab whole"}}
	bare := &judged{in: card.Input{Input: track.Input{AsOf: scab.in.AsOf}, Patient: card.Patient{ID: "p"}, Lagging: true, Quarantined: 1}}
	return map[string]card.Card{"forming": forming(t).card(), "ready": ready(t).card(), "held": held(t).card(),
		"scab": scab.card(), "bare": bare.card()}
}

func TestTheTextOfACard(t *testing.T) {
	for name, c := range golden(t) {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join("testdata", name+".txt")
			got := card.Text(c)
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the text is\n%s\nwant\n%s", got, want)
			}
			for _, line := range strings.Split(got, "\n") {
				if utf8.RuneCountInString(line) > card.Columns {
					t.Errorf("a line of %d columns: %q", utf8.RuneCountInString(line), line)
				}
			}
		})
	}
}

// A stop says what was seen, which rule, since when, what would clear it, and who decides.
func TestTheWordingOfAStop(t *testing.T) {
	c := held(t).card()
	if !c.StandingHold || len(c.Holds) != 2 {
		t.Fatalf("holds are %+v", c.Holds)
	}
	h := c.Holds[0]
	for _, want := range []string{"No thrill was felt", "Do not needle. Call now.", "Hold since 2026-07-06 09:30 WEST (thrill-absent).",
		"What clears it: a named person lifts the hold, with a reason", "The local protocol and the treating team decide."} {
		if !strings.Contains(h.Text, want) {
			t.Errorf("the text does not say %q: %s", want, h.Text)
		}
	}
	if h.Scope != "access F1" || !h.Urgent || h.Rule != rule.ThrillAbsent {
		t.Errorf("hold is %+v", h)
	}
	h = c.Holds[1]
	if h.Scope != "track A1, track V9" || h.Urgent || !strings.Contains(h.Text, "The reason for this hold was later corrected or withdrawn") ||
		!strings.Contains(h.Text, "Pus at the site. Do not needle. Hold since 2026-07-06 10:29 WEST (site-infection).") {
		t.Errorf("hold is %+v", h)
	}
	if tr := c.Tracks[0]; len(tr.Held) != 2 || len(c.HoldsOf(tr)) != 2 || len(tr.OnResistance) != 0 {
		t.Errorf("track is %+v", tr)
	}
	for _, s := range c.Tracks[0].Preparation {
		if s.Phase != card.PhaseStop {
			t.Errorf("a held track has the step %+v", s)
		}
	}
	if !c.Use.Held || c.Use.Access != "F1" || !strings.Contains(c.Use.Text, "No thrill was felt") &&
		!strings.Contains(c.Use.Text, "no thrill was felt") {
		t.Errorf("use is %+v", c.Use)
	}
}

func TestFindingsAreSortedAndPlaced(t *testing.T) {
	x := forming(t)
	x.j.Findings = append(x.j.Findings, track.Finding{ID: "f5", Rule: rule.AngleDrift, Severity: rule.Caution, Track: "A1",
		Since: x.in.AsOf.AddDate(0, 0, -5), Seen: "32°"},
		track.Finding{ID: "f6", Rule: rule.ScabIncomplete, Severity: rule.Stop, Track: "A1", Since: x.in.AsOf, Seen: "scab"},
		track.Finding{ID: "f7", Rule: rule.FlowLow, Severity: rule.Caution, Access: "elsewhere", Since: x.in.AsOf, Seen: "flow"})
	c := x.card()
	order := func(list []card.Finding) string {
		var ids []string
		for _, f := range list {
			ids = append(ids, f.ID)
		}
		return strings.Join(ids, " ")
	}
	if got := order(c.Tracks[0].Findings); got != "f6 f5 f2 f1" {
		t.Errorf("the track's findings are %s", got)
	}
	if got := order(c.Accesses[0].Findings); got != "f2" {
		t.Errorf("the access's findings are %s", got)
	}
	// What no track and no access of the card shows is not lost.
	if got := order(c.Findings); got != "f4 f7" {
		t.Errorf("the patient's findings are %s", got)
	}
	if f := c.Tracks[0].Findings[3]; f.Text != "2 attempts, 3 passes." || f.Scope != "track A1" || f.Facts[0] != "x.0" {
		t.Errorf("finding is %+v", f)
	}
}

func text(steps []card.Step, phase string) string {
	var out []string
	for _, s := range steps {
		if phase == "" || s.Phase == phase {
			out = append(out, s.Text)
		}
	}
	return strings.Join(out, "\n")
}

func inOrder(t *testing.T, in string, want ...string) {
	t.Helper()
	last := -1
	for _, w := range want {
		i := strings.Index(in, w)
		if i <= last {
			t.Errorf("%q stands at %d, what comes before it at %d:\n%s", w, i, last, in)
		}
		last = max(last, i)
	}
}

// The order of the steps is common practice, no source; contact times (30 s, 120 s) are
// from memory: KDOQI 2006, table 2.
func TestPreparation(t *testing.T) {
	type change func(s *track.State)
	for name, c := range map[string]struct {
		of    func(testing.TB) *judged
		do    change
		want  []string // in order
		never []string
	}{
		"forming with a peg": {forming, func(*track.State) {}, []string{"Look, listen and feel", "plaster with colophony", "Wash the skin",
			"First disinfection, around the peg, with povidone-iodine; let it act for 120 s", "Remove the whole peg", "Second disinfection",
			"tourniquet", "taut", "SHARP needle 16G, at 25°, with the flow, bevel up, 4.5 mm deep", "flashback",
			"same angle as it went in (25°)", "Press", "it usually stops after 9 min here; more than 12 min is longer than usual",
			"Disinfect the site", "new sterile peg in, along the same path", "Put topical", "Put on a compressive dressing"}, []string{"hub", "BLUNT"}},
		"a peg not known is looked for": {forming, func(s *track.State) { s.Peg = track.PegUnknown },
			[]string{"Look for the peg"}, nil},
		"no peg in, none to take out": {forming, func(s *track.State) { s.Peg = track.PegOut },
			[]string{"First disinfection", "Remove a scab, if there is one", "Second"}, []string{"Look for the peg", "Remove the whole peg"}},
		"a peg left in comes out whatever the protocol says": {forming, func(s *track.State) { s.Protocol.UsesPegs = false },
			[]string{"Remove the whole peg"}, []string{"new sterile peg"}},
		"this patient's antiseptic goes first": {forming, func(s *track.State) {
			s.Planned.Antiseptic = v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL
		}, []string{"chlorhexidine in alcohol (chosen for this patient); let it act for 30 s"}, []string{"povidone"}},
		"an agent without a known time": {forming, func(s *track.State) {
			s.Planned.Antiseptic = v1.Antiseptic_ANTISEPTIC_SODIUM_HYPOCHLORITE
		}, []string{"sodium hypochlorite (chosen for this patient); let it act for the agent's contact time"}, nil},
		"no antiseptic configured": {forming, func(s *track.State) { s.Protocol.Antiseptics = nil },
			[]string{"the unit's antiseptic; let it act for the agent's contact time"}, nil},
		"a protocol that asks for three": {forming, func(s *track.State) { s.Protocol.DisinfectionsMin = 3 },
			[]string{"First disinfection", "Remove the whole peg", "Second disinfection", "Third disinfection"}, nil},
		"a protocol that asks for one has it after the removal": {forming, func(s *track.State) { s.Protocol.DisinfectionsMin = 1 },
			[]string{"Remove the whole peg", "Disinfect the site, after that"}, []string{"Second disinfection"}},
		"the first insertion": {forming, func(s *track.State) {
			s.Stage, s.Folded, s.Recent, s.Peg = track.Planned, track.Planned, nil, track.PegUnknown
			s.Bevel, s.Gauge, s.Planned.Engorgement = 0, nil, 0
		}, []string{"Look, listen", "Disinfect the site with", "tourniquet", "This first insertion sets angle",
			"Not planned: gauge, bevel."}, []string{"Second disinfection", "peg: nothing", "Remove"}},
		"blunt": {ready, func(s *track.State) { s.Peg = track.PegOut },
			[]string{"First disinfection", "Remove the scab completely", "Second disinfection", "Slide the BLUNT needle",
				"small gap between hub and skin"}, []string{"peg"}},
		"what is not recorded is said": {ready, func(s *track.State) { s.ReferenceAngle, s.Depth = nil, nil },
			[]string{"Not recorded: angle, depth; ask the last cannulator"}, nil},
	} {
		x := c.of(t)
		c.do(&x.j.Tracks[0])
		got := text(x.card().Tracks[0].Preparation, "")
		t.Run(name, func(t *testing.T) {
			inOrder(t, got, c.want...)
			for _, n := range c.never {
				if strings.Contains(got, n) {
					t.Errorf("it says %q:\n%s", n, got)
				}
			}
		})
	}
}

func TestNoNeedleNamesWhomToCall(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*judged)
		want   []string
	}{
		"urgent": {func(*judged) {}, []string{"Do not needle track A1.", "Call the lead nurse and the physician or surgeon NOW", "cultures",
			"Do not needle it at another site either"}},
		"not urgent": {func(x *judged) {
			x.j.Holds = x.j.Holds[1:2]
			x.j.Holds[0].Rule = rule.Person
			x.j.Tracks[0].Held = []string{"h2"}
		}, []string{"Call the lead nurse and the physician before any needle",
			"Fall-back in the plan, if the treating team agrees: rope ladder"}},
		"resting": {func(x *judged) { x.j.Tracks[0].Stage, x.j.Tracks[0].Held = track.Resting, nil },
			[]string{"The track rests. Ask the lead nurse"}},
		"replaced": {func(x *judged) { x.j.Tracks[0].Stage, x.j.Tracks[0].Replaced = track.Retired, "A2" },
			[]string{"Track A2 replaces it"}},
		"given up": {func(x *judged) { x.j.Tracks[0].Stage = track.Retired }, []string{"given up. Ask the lead nurse"}},
		"another": {func(x *judged) { x.j.Tracks[0].Held, x.j.Tracks[0].Next.Why = nil, "something new" },
			[]string{"Call the lead nurse: something new."}},
		"unsaid": {func(x *judged) { x.j.Tracks[0].Held, x.j.Tracks[0].Next = nil, track.Next{} },
			[]string{"Call the lead nurse: no reason is given."}},
	} {
		x := held(t)
		c.change(x)
		tr := x.card().Tracks[0]
		got := text(tr.Preparation, card.PhaseStop)
		inOrder(t, got, c.want...)
		if len(tr.Preparation) != strings.Count(got, "\n")+1 || tr.Next.Needle != "none" || len(tr.OnResistance) != 0 {
			t.Errorf("%s: steps %+v, needle %q", name, tr.Preparation, tr.Next.Needle)
		}
	}
}

// Blunt: back, rotate, light pressure, a new blunt needle, at last sharp with extreme
// caution because of the risk of infection (common practice, no source). Two attempts by
// one cannulator are from memory.
func TestOnResistance(t *testing.T) {
	got := strings.Join(ready(t).card().Tracks[0].OnResistance, "\n")
	inOrder(t, got, "Draw back a few millimetres, rotate, and press lightly", "press and disinfect. Then use a NEW blunt needle in the same track",
		"Last resort, with extreme caution because it raises the risk of infection: a sharp needle", "Record the reason and tell the lead")
	x := forming(t)
	got = strings.Join(x.card().Tracks[0].OnResistance, "\n")
	inOrder(t, got, "After 2 attempts by one cannulator, leave it and call a second cannulator")
	x.j.Tracks[0].Protocol.AttemptsMax = 1
	if got := strings.Join(x.card().Tracks[0].OnResistance, "\n"); !strings.Contains(got, "After 1 attempt by one cannulator") ||
		strings.Contains(got, "blunt") {
		t.Errorf("it says %q", got)
	}
}

// What a handover must carry is recalled from the literature and read from a paper log.
func TestHandoverHidesNothing(t *testing.T) {
	items := func(c card.Card) map[string]card.Item {
		out := map[string]card.Item{}
		for _, i := range c.Tracks[0].Handover {
			if i.Recorded == (i.Text == card.NotRecorded) {
				t.Errorf("item %+v contradicts itself", i)
			}
			out[i.Name] = i
		}
		return out
	}
	full := items(forming(t).card())
	for name, want := range map[string]string{
		"Landmarks": "three fingers", "Arterial or venous": "arterial", "Fall-back site": "rope ladder", "Angle": "25°", "Bevel": "up",
		"Direction": "with the flow", "Depth": "4.5 mm",
		"Needle length": "25 mm", "Gauge": "16G", "Needle tip": "sharp", "Peg": "in place", "Engorgement": "tourniquet",
		"Arm position": "cushion", "Operator position": "right",
		"Antiseptic": "the unit's: povidone-iodine, then alcohol", "Allergy and skin notes": "colophony",
		"Sessions": "3 of 7 sharp sessions count; one of them was added (no peg is recorded as left after the session of 2026-06-29)",
		"Creator":  "CN-01", "Deputies": "CN-02",
		"Last session": "2 attempts, 3 passes, moderate resistance, pain 4 of 10", "Last complications": "2026-07-04: haematoma",
		"What forbids the needle":   "no thrill or no bruit",
		"Site from the anastomosis": "60 mm", "Distance of the needle tips": "70 mm", "Picture": card.NotRecorded,
	} {
		if got, ok := full[name]; !ok || !strings.Contains(got.Text, want) {
			t.Errorf("%s is %+v, want %q", name, got, want)
		}
	}
	if len(full) != 25 {
		t.Errorf("%d items", len(full))
	}
	x := &judged{in: forming(t).in, j: track.Judgement{Tracks: []track.State{{Name: "A1"}}}}
	bare := items(x.card())
	if len(bare) != len(full) {
		t.Errorf("%d items of a track of which nothing is recorded, want %d", len(bare), len(full))
	}
	for name, i := range bare {
		if i.Recorded != (name == "Sessions" || name == "What forbids the needle") {
			t.Errorf("of nothing recorded, %s is %+v", name, i)
		}
	}
	if s := items(held(t).card())["What forbids the needle"]; !strings.HasPrefix(s.Text,
		"ON HOLD NOW: no thrill was felt; pus at the site. In general: ") {
		t.Errorf("what forbids the needle is %q", s.Text)
	}
}

func TestNotices(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*judged)
		want   string
	}{
		"left": {func(x *judged) {
			x.j.Where = track.Whereabouts{Left: true, LeftUnit: "unit-invented", LeftAt: x.in.AsOf,
				Reason: v1.LeavingReason_LEAVING_REASON_TRANSPLANT}
		}, "The patient left unit-invented on 2026-07-06 (transplant)."},
		"left, why not recorded": {func(x *judged) { x.j.Where = track.Whereabouts{Left: true, LeftAt: x.in.AsOf} },
			"(reason not recorded)"},
		"in hospital": {func(x *judged) { x.j.Where = track.Whereabouts{InHospitalSince: &x.in.AsOf} },
			"in hospital since 2026-07-06"},
		"kind": {func(x *judged) { x.j.Accesses[0].Kind = 0 },
			"kind of access F1 is not recorded. Make sure that it is a native fistula"},
		"never examined": {func(x *judged) { x.j.Accesses[0].Examined = time.Time{} }, "No examination of access F1 is recorded"},
		"in part": {func(*judged) {},
			"Nobody recorded whether a bruit is heard at access F1 on 2026-07-04. Listen before you needle."},
		"no access": {func(x *judged) { x.j.Tracks[0].Access = "" }, "The access of track A1 is not recorded"},
		"no name":   {func(x *judged) { x.in.Patient.Name = "" }, "Not positively identified: the name not recorded"},
		"no birth date": {func(x *judged) { x.in.Patient.BirthDate = "" },
			"Not positively identified: the birth date not recorded"},
		"lagging":             {func(x *judged) { x.in.Lagging = true }, "behind the record"},
		"one in quarantine":   {func(x *judged) { x.in.Quarantined = 1 }, "1 message could not be understood"},
		"three in quarantine": {func(x *judged) { x.in.Quarantined = 3 }, "3 messages could not be understood"},
		"no track":            {func(x *judged) { x.j.Tracks = nil }, "No constant-site track is recorded"},
	} {
		x := forming(t)
		if before := strings.Join(x.card().Notices, "\n"); name != "in part" && strings.Contains(before, c.want) {
			t.Errorf("%s: said without a reason", name)
		}
		c.change(x)
		if got := strings.Join(x.card().Notices, "\n"); !strings.Contains(got, c.want) {
			t.Errorf("%s: notices are %q, want %q", name, got, c.want)
		}
	}
}

func fact(at time.Time, body proto.Message) record.Item {
	return record.Item{Fact: record.Fact{At: at, Body: body}}
}

func TestTheAccessInUse(t *testing.T) {
	ago := func(d int) time.Time { return forming(t).in.AsOf.AddDate(0, 0, -d) }
	second := func(x *judged) {
		x.j.Accesses = append(x.j.Accesses, track.AccessState{Name: "C2", Kind: v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER})
	}
	for name, c := range map[string]struct {
		change       func(*judged)
		access, text string
	}{
		"the only one": {func(*judged) {}, "F1", "Access F1 (the only one recorded)."},
		"several":      {second, "", "Which access is in use is not recorded. Ask the last cannulator."},
		"none":         {func(x *judged) { x.j.Accesses = nil }, "", "No access in use is recorded."},
		"latest session": {func(x *judged) {
			second(x)
			x.in.Items = []record.Item{fact(ago(3), &v1.SessionStarted{Access: "F1"}), fact(ago(1), &v1.SessionStarted{Access: "C2"}),
				fact(ago(-1), &v1.SessionStarted{Access: "F1"})}
		}, "C2", "Access C2 (used at the latest session, on 2026-07-05)."},
		"by the track of an insertion": {func(x *judged) {
			second(x)
			x.in.Items = []record.Item{fact(ago(3), &v1.SessionStarted{Access: "C2"}), fact(ago(1), &v1.NeedleInserted{Track: "A1"})}
		}, "F1", "Access F1 (used at the latest session"},
		"a retired one is in use no more": {func(x *judged) {
			second(x)
			x.in.Items = []record.Item{fact(ago(3), &v1.SessionEnded{Access: "C2"})}
			x.j.Accesses[1].Retired = true
		}, "F1", "the only one recorded"},
		"one track held": {func(x *judged) { x.j.Tracks[0].Held = []string{"h"} }, "F1", "On hold in it: track A1."},
	} {
		x := forming(t)
		c.change(x)
		u := x.card().Use
		if u.Access != c.access || !strings.Contains(u.Text, c.text) || u.Held != (name == "one track held") {
			t.Errorf("%s: use is %+v, want %q and %q", name, u, c.access, c.text)
		}
	}
}
