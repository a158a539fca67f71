package card_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/card"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// history is one invented patient's.
type history struct {
	t      *testing.T
	events []*logv1.Event
}

// day is 08:00 UTC of a day of March 2025.
func day(n int) time.Time { return time.Date(2025, 3, n, 8, 0, 0, 0, time.UTC) }

func staff(n string) *v1.StaffIdentifier {
	return &v1.StaffIdentifier{System: "https://cannulary.example/staff", Value: n}
}

func (h *history) add(at time.Time, session string, f *logv1.Fact) *history {
	id := fmt.Sprintf("m%d", len(h.events))
	ev := &logv1.Event{Id: record.EventID("test", id), Source: "test", SourceMessageId: id, PatientKey: "p",
		OccurredAt: timestamppb.New(at), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{f}}
	if session != "" {
		ev.Session = &v1.SessionReference{System: "urn:s", Value: session}
	}
	h.events = append(h.events, ev)
	return h
}

func (h *history) cannulation(at time.Time, f *v1.CannulationFact) *history {
	return h.add(at, "", &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: f}})
}

func (h *history) roster(at time.Time, f *v1.RosterFact) *history {
	return h.add(at, "", &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: f}})
}

func (h *history) adopted(p *v1.Protocol) *history {
	return h.roster(day(1), &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: &v1.ProtocolAdopted{Version: "2025-1",
		EffectiveFrom: "2025-01-01", Protocol: p}}})
}

func (h *history) planned() *history {
	plan := func(name string, role v1.NeedleRole, angle float64) *v1.TrackPlan {
		return &v1.TrackPlan{Track: name, Role: role, AngleDegrees: proto.Float64(angle), DepthMillimetres: proto.Float64(5),
			Gauge: proto.Uint32(16), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE}
	}
	return h.cannulation(day(1),
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{Access: "F1", PlannedBy: staff("CN-01"),
			Tracks: []*v1.TrackPlan{plan("V1", v1.NeedleRole_NEEDLE_ROLE_VENOUS, 28),
				plan("A1", v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, 25)}}}})
}

// needle is an easy, successful, sharp entry of the arterial track by its creator.
func (h *history) needle(n int, change ...func(*v1.NeedleInserted)) *history {
	x := &v1.NeedleInserted{Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1,
		Tip:   v1.NeedleTip_NEEDLE_TIP_SHARP,
		Gauge: proto.Uint32(16), AngleDegrees: proto.Float64(25), Passes: proto.Uint32(1), Resistance: v1.Resistance_RESISTANCE_NONE,
		SameSpot: v1.Answer_ANSWER_YES, NewPath: v1.Answer_ANSWER_NO, Cannulator: staff("CN-01"),
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL}
	for _, f := range change {
		f(x)
	}
	return h.add(day(n), fmt.Sprint("T-", n),
		&logv1.Fact{
			Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: x}}}})
}

func (h *history) needles(days ...int) *history {
	for _, n := range days {
		h.needle(n)
	}
	return h
}

func blunt(x *v1.NeedleInserted) { x.Tip = v1.NeedleTip_NEEDLE_TIP_BLUNT }

func hold(f *v1.HoldPlaced) *v1.CannulationFact {
	f.PlacedBy = staff("CN-02")
	return &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: f}}
}

// card is the card at noon of a day.
func (h *history) card(n int, change ...func(*card.Input)) card.Card {
	h.t.Helper()
	var facts []record.Fact
	for i, ev := range h.events {
		fs, err := record.Facts(ev, uint64(i+1), day(n))
		if err != nil {
			h.t.Fatal(err)
		}
		facts = append(facts, fs...)
	}
	items := record.Effective(facts)
	in := card.Input{
		Input: track.Input{Items: items, Book: protocol.NewBook(items), Zone: func(string) *time.Location { return time.UTC },
			AsOf: day(n).Add(4 * time.Hour)},
		Patient: card.Patient{ID: "p", Name: "Zelthozumbrox, Quilewilth", BirthDate: "1950-01-02",
			Identifiers: []card.Identifier{{System: "https://cannulary.example/mrn", Value: "MRN-1"}}},
		KnownAt: day(n).Add(5 * time.Hour),
	}
	for _, f := range change {
		f(&in)
	}
	return card.Build(in)
}

// cases are cards of whole histories. Six sharp sessions and blunt from the seventh
// are common practice, no source; easy entries (two) are from memory; days of a gap (7 and
// 14), three blunt sessions of a trial and one more session for a missing peg are ours.
func cases(t *testing.T) map[string]card.Card {
	t.Helper()
	tell := func() *history { return &history{t: t} }
	formed := func() *history { return tell().planned().needles(3, 5, 7, 10, 12, 14) }
	trial := func() *history { return formed().needle(17, blunt) }
	return map[string]card.Card{
		"planned tracks get a sharp needle first": tell().planned().card(2),
		"a forming track says what is missing": tell().planned().needles(3, 5).needle(7, func(x *v1.NeedleInserted) {
			x.SameSpot, x.Cannulator = v1.Answer_ANSWER_UNKNOWN, staff("CN-09")
		}).card(7),
		"a long gap and a missing peg ask for more sessions": tell().adopted(&v1.Protocol{UsesPegs: proto.Bool(true)}).planned().
			needles(3, 12).card(12),
		"a hard last entry keeps the blunt needle away": tell().planned().needles(3, 5, 7, 10, 12).
			needle(14, func(x *v1.NeedleInserted) { x.Passes = proto.Uint32(3) }).card(14),
		"a ready track gets its first blunt needle":    formed().card(16),
		"a trial counts its blunt sessions":            trial().needle(19, blunt).card(20),
		"an established track is in routine blunt use": trial().needle(19, blunt).needle(21, blunt).card(22),
		"a held access gets no needle": formed().
			cannulation(day(15), hold(&v1.HoldPlaced{Access: "F1", Reason: "No thrill felt"})).card(16),
		"a withdrawn ground leaves the hold": formed().cannulation(day(15), hold(&v1.HoldPlaced{Track: "A1", Reason: "Redness"})).
			cannulation(day(16),
				&v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{
					FactVoided: &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: "m7"}, Reason: "Other arm"}}}).card(16),
		"a resting and a retired track get no needle": trial().
			cannulation(day(18),
				&v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: &v1.TrackRested{Track: "V1",
					Until: proto.String("2025-03-25"), Reason: "Infiltration"}}}).
			cannulation(day(19), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: &v1.TrackRetired{Track: "A1",
				Reason: "Aneurysm", ReplacedBy: "A2"}}}).card(20),
		"a track taken over says that it was declared": tell().
			cannulation(day(3), &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
				Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED,
				InUseSince:   proto.String("2023-06-01"),
				AngleDegrees: proto.Float64(27), Creator: staff("CN-07"), DeclaredBy: staff("CN-01"),
				Evidence: "the needling log of the unit before"}}}).card(4),
		"a track under review says so": trial().
			cannulation(day(18), &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{
				Review: "R1", Track: "A1", OpenedBy: staff("CN-01"), Reason: "Two rescues"}}}).card(18),
		"a sharp-only protocol offers no blunt needle": tell().adopted(&v1.Protocol{SharpOnly: proto.Bool(true)}).planned().
			needles(3, 5, 7, 10, 12, 14).card(15),
		"a view that is behind says so":   formed().card(16, func(in *card.Input) { in.Lagging, in.Quarantined = true, 2 }),
		"nothing is known of the patient": tell().card(2, func(in *card.Input) { in.Patient = card.Patient{ID: "p"} }),
	}
}

// What the cards say of the next needle, and of what keeps it away.
func TestCardsOfHistories(t *testing.T) {
	all := cases(t)
	wants := map[string][]string{
		"planned tracks get a sharp needle first": {">>>  SHARP NEEDLE   16G   25°   with the flow   5 mm deep   session 1 of 6",
			"why: First insertion: sharp, by someone rated to create tracks.", "This first insertion sets angle"},
		"a forming track says what is missing": {"session 3 of 6", "2 of 6 sharp sessions count",
			"4 more sharp sessions before the first blunt needle.", "who: CN-01",
			"CAUTION: Inserted on 2025-03-07 by CN-09, who is neither the creator nor a deputy."},
		"a long gap and a missing peg ask for more sessions": {"session 3 of 8", "[gap-long]", "[peg-missing]", "Look for the peg"},
		"a hard last entry keeps the blunt needle away":      {"SHARP NEEDLE", "entries must be easy"},
		"a ready track gets its first blunt needle": {">>>  BLUNT NEEDLE   16G   25°", "trial session 1",
			"Remove the scab completely", "a NEW blunt needle"},
		"a trial counts its blunt sessions": {"BLUNT NEEDLE", "trial session 3",
			"Blunt trial: 2 of 3 good blunt sessions in a row so far."},
		"an established track is in routine blunt use": {"BLUNT NEEDLE", "ESTABLISHED", "Established: blunt needle.",
			"Blunt sessions: 3 of 3"},
		"a held access gets no needle": {"HOLD ACCESS F1: NO NEEDLE",
			"No thrill felt. Do not needle. Hold by CN-02 since 2025-03-15 08:00 UTC (person).", "Do not needle track A1."},
		"a withdrawn ground leaves the hold": {"HOLD TRACK A1: NO NEEDLE", "The reason for this hold was later corrected or withdrawn"},
		"a resting and a retired track get no needle": {"The track rests until 2025-03-25: Infiltration.",
			"The track was given up: Aneurysm. Track A2 replaces it."},
		"a track taken over says that it was declared": {"Declared, not recorded here: established, in use since 2023-06-01. " +
			"Declared by CN-01 on 2025-03-03. Evidence: the needling log of the unit before. No session is recorded here since then."},
		"a track under review says so":                 {"UNDER REVIEW"},
		"a sharp-only protocol offers no blunt needle": {"SHARP NEEDLE", "the unit's protocol keeps tracks sharp"},
		"a view that is behind says so": {"NOTICE    This card is behind the record",
			"NOTICE    2 messages could not be understood"},
		"nothing is known of the patient": {"(name not stated), born (not stated)",
			"Not positively identified: name and birth date not recorded", "No constant-site track is recorded",
			"No access in use is recorded."},
	}
	if len(wants) != len(all) {
		t.Fatalf("%d expectations for %d cards", len(wants), len(all))
	}
	for name, c := range all {
		text := strings.Join(strings.Fields(card.Text(c)), " ")
		for _, want := range wants[name] {
			if want := strings.Join(strings.Fields(want), " "); !strings.Contains(text, want) {
				t.Errorf("%s: the text does not say %q:\n%s", name, want, card.Text(c))
			}
		}
	}
}

// Every card says that it is decision support, and no card that offers no needle gives
// its geometry, which might be taken for an invitation.
func TestWhatEveryCardKeepsTo(t *testing.T) {
	for name, c := range cases(t) {
		if c.Caution != card.Caution || !strings.Contains(card.Text(c), "Decision support only, from what was recorded.") ||
			!strings.Contains(card.Text(c), "a licensed practitioner decide") {
			t.Errorf("%s: the caution is %q", name, c.Caution)
		}
		for _, tr := range c.Tracks {
			n := tr.Next
			if n.Why == "" {
				t.Errorf("%s: track %s has no reason", name, tr.Name)
			}
			if n.Needle == "none" && (n.Gauge != nil || n.AngleDegrees != nil || n.Session != 0 || len(n.Who) > 0) {
				t.Errorf("%s: track %s gets no needle, but %+v", name, tr.Name, n)
			}
			if n.Needle == "blunt" && tr.SessionsCounted < tr.SessionsTarget && tr.Declared == "" {
				t.Errorf("%s: track %s gets a blunt needle after %d of %d sessions", name, tr.Name, tr.SessionsCounted, tr.SessionsTarget)
			}
			if len(c.Holds) > 0 && tr.Access == "F1" && strings.HasPrefix(c.Holds[0].Scope, "access") && n.Needle != "none" {
				t.Errorf("%s: track %s of a held access gets a needle", name, tr.Name)
			}
		}
		// Lists are lists for every reader, never null.
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"holds", "tracks", "notices", "extras", "findings", "recent", "who", "accesses", "notExamined",
			"preparation", "onResistance", "handover", "deputies", "held", "identifiers", "complications", "facts"} {
			if strings.Contains(string(b), `"`+key+`":null`) {
				t.Errorf("%s: %s is null", name, key)
			}
		}
	}
}

// Where counting starts again, all that the card says of the course is of the one that begins, and so it comes. The sessions that
// count so far are given as what was before. What was added for pegs stays where a session in doubt lies in the gap.
func TestWhereCountingStartsAgainTheCardSaysOneCourse(t *testing.T) {
	doubt := func(x *v1.NeedleInserted) { x.SameSpot = v1.Answer_ANSWER_UNKNOWN }
	tell := func() *history { return (&history{t: t}).planned() }
	pegs := func() *history { return (&history{t: t}).adopted(&v1.Protocol{UsesPegs: proto.Bool(true)}).planned() }
	for _, c := range []struct {
		says   string
		told   func() *history
		day    int
		before int
		of     int
		added  string // empty for none
	}{
		{"six sessions, and 15 days", func() *history { return tell().needles(3, 5, 7, 10, 12, 14) }, 29, 6, 6, ""},
		{"one session, and 15 days", func() *history { return tell().needle(3) }, 18, 1, 6, ""},
		{"one was added for a gap of 9 days, and 15 days", func() *history { return tell().needles(3, 12) }, 27, 2, 6, ""},
		{"two were added for gap and peg, and 15 days", func() *history { return pegs().needles(3, 12) }, 27, 2, 6, ""},
		{"two were added for pegs, with a session in doubt, and 15 days", func() *history { return pegs().needles(3, 5).needle(7, doubt) }, 20, 2, 8,
			"One of the 8 sessions was added: no peg is recorded between"},
	} {
		t.Run(c.says, func(t *testing.T) {
			built := c.told().card(c.day)
			tr := built.Tracks[0]
			if tr.Next.Session != 1 || tr.Again != c.of || tr.SessionsCounted != c.before {
				t.Fatalf("session %d of %d, %d count; want 1 of %d, %d", tr.Next.Session, tr.Again, tr.SessionsCounted, c.of, c.before)
			}
			text := strings.Join(strings.Fields(card.Text(built)), " ")
			for _, want := range []string{fmt.Sprintf("session 1 of %d", c.of), fmt.Sprintf("next sharp session is number 1 of %d", c.of), c.added,
				fmt.Sprintf("%d counted before the gap. Counting starts again: the next sharp session is 1 of %d", c.before, c.of)} {
				if !strings.Contains(text, want) {
					t.Errorf("the text does not say %q:\n%s", want, card.Text(built))
				}
			}
			if strings.Contains(text, "was added: ") != (c.added != "") || strings.Contains(strings.ReplaceAll(text, "0 of 6 sharp sessions count", ""), "sharp sessions count") {
				t.Errorf("the text tells of the course before:\n%s", card.Text(built))
			}
			after := c.told().needle(c.day).card(c.day).Tracks[0]
			news := 0 // for the peg before that very session
			if len(tr.Extras) > 0 && tr.Extras[len(tr.Extras)-1].Rule == rule.PegMissing {
				news = 1
			}
			if after.SessionsCounted != 1 || after.SessionsTarget != c.of+news {
				t.Errorf("then %d of %d count", after.SessionsCounted, after.SessionsTarget)
			}
		})
	}
}

// The 7 and 14 days are this project's own defaults.
func TestAnOpenGapIsSaid(t *testing.T) {
	formed := func() *history { return (&history{t: t}).planned().needles(3, 5, 7, 10, 12, 14) }
	for day, want := range map[int]string{21: "", 22: "more than 7 days ago. One more sharp session is needed.", 28: "more than 7 days ago",
		29: "more than 14 days ago. Counting starts again."} {
		c := formed().card(day)
		why, needle := "", ""
		for _, tr := range c.Tracks {
			if tr.Name == "A1" {
				why, needle = tr.Next.Why, tr.Next.Needle
			}
		}
		if (needle == "blunt") != (want == "") {
			t.Errorf("on day %d the needle is %s", day, needle)
		}
		if want == "" && strings.Contains(why, "CAUTION") || !strings.Contains(why, want) {
			t.Errorf("on day %d the card says %q, want %q in it", day, why, want)
		}
	}
}
