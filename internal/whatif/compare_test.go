package whatif_test

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/protocol"
	"cannulary/internal/track/rule"
	"cannulary/internal/whatif"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// theTrack is the one track that differs.
func theTrack(t *testing.T, r whatif.Report) whatif.TrackReport {
	t.Helper()
	if len(r.Patients) != 1 || len(r.Patients[0].Tracks) != 1 {
		t.Fatalf("not one track differs: %+v", r.Patients)
	}
	return r.Patients[0].Tracks[0]
}

func reached(t *testing.T, x whatif.TrackReport, stage string) whatif.Reached {
	t.Helper()
	for _, m := range x.Reached {
		if m.Stage == stage {
			return m
		}
	}
	t.Fatalf("stage %s is reached on the same day: %+v", stage, x.Reached)
	return whatif.Reached{}
}

// That six sessions are the least is common practice, no source.
func TestWithEightSessionsAskedForTheTrackIsReadyFourDaysLater(t *testing.T) {
	r := tell(t).planned(65).sharps(1, 10).whatIf(19, always, target(8))
	x := theTrack(t, r)
	m := reached(t, x, "ready")
	if m.Recorded == nil || *m.Recorded != (whatif.Milestone{Date: date(11), Sessions: 6}) {
		t.Errorf("was ready on %+v, want %s with the sixth session", m.Recorded, date(11))
	}
	if m.WhatIf == nil || *m.WhatIf != (whatif.Milestone{Date: date(15), Sessions: 8}) || *m.Later != 4 || *m.MoreSessions != 2 {
		t.Errorf("would be ready on %+v, want %s with the eighth session, 4 days and 2 sessions later", m.WhatIf, date(15))
	}
	tot := r.Facilities[0].Totals
	if tot.ReadyLater != 1 || tot.ReadyEarlier+tot.ReadyLost+tot.ReadyGained != 0 || tot.StageChanged != 0 || tot.Tracks != 1 ||
		tot.TracksChanged != 1 || tot.Sessions != 10 || tot.SessionsLost+tot.SessionsGained != 0 {
		t.Errorf("the totals are %+v", tot)
	}
	if want := []whatif.Parameter{{Name: "forming_sessions_target", Recorded: "6",
		WhatIf: "8"}}; !reflect.DeepEqual(r.Facilities[0].Parameters, want) {
		t.Errorf("the parameters that differ are %+v", r.Facilities[0].Parameters)
	}
}

func TestWithSixSessionsAskedForTheTrackIsReadyFourDaysEarlier(t *testing.T) {
	r := tell(t).adopted("eight", "2025-01-01", target(8)).planned(65).sharps(1, 8).whatIf(19, always, target(6))
	m := reached(t, theTrack(t, r), "ready")
	if *m.Later != -4 || *m.MoreSessions != -2 || r.Facilities[0].Totals.ReadyEarlier != 1 {
		t.Errorf("it is %+d days and %+d sessions later, want 4 days and 2 sessions earlier", *m.Later, *m.MoreSessions)
	}
	if want := []whatif.InForce{
		{Version: "defaults", From: always, Parameters: []whatif.Parameter{}},
		{Version: "eight", From: "2025-01-01",
			Parameters: []whatif.Parameter{{Name: "forming_sessions_target", Recorded: "8", WhatIf: "6"}}},
	}; !reflect.DeepEqual(r.Facilities[0].Recorded, want) {
		t.Errorf("compared with %+v, want %+v", r.Facilities[0].Recorded, want)
	}
}

func TestABluntNeedleInTimeIsAnEarlyOneWhenMoreSessionsAreAskedFor(t *testing.T) {
	r := tell(t).planned(65).sharps(1, 6).insert(13, blunt).insert(15, blunt).insert(17, blunt).whatIf(18, always, target(8))
	x := theTrack(t, r)
	if x.Recorded.Stage != "established" || x.WhatIf.Stage != "forming" || x.Recorded.Needle != "blunt" || x.WhatIf.Needle != "sharp" ||
		x.WhatIf.Counted != 6 || x.WhatIf.Needed != 8 {
		t.Errorf("it was %+v and would be %+v", x.Recorded, x.WhatIf)
	}
	for _, stage := range []string{"ready", "trial", "established"} {
		if m := reached(t, x, stage); m.Recorded == nil || m.WhatIf != nil || m.Later != nil {
			t.Errorf("%s: %+v, want reached then and never now", stage, m)
		}
	}
	if len(x.Sessions) != 3 {
		t.Fatalf("%d sessions count otherwise, want the three blunt ones: %+v", len(x.Sessions), x.Sessions)
	}
	for i, s := range x.Sessions {
		if s.Date != date(13+2*i) || s.Tip != "blunt" || !s.Counted || s.WhatIf {
			t.Errorf("session %+v", s)
		}
	}
	early := 0
	for _, f := range r.Patients[0].Findings {
		if f.Rule == rule.EarlyBlunt && f.Change == whatif.Gained && f.Track == "A" && f.Severity == "caution" {
			if f.Date != date(13+2*early) || f.Stands != (early == 2) {
				t.Errorf("early blunt on %s, stands: %v", f.Date, f.Stands)
			}
			early++
		}
	}
	tot := r.Facilities[0].Totals
	if early != 3 || tot.ReadyLost != 1 || tot.StageChanged != 1 || tot.NeedleChanged != 1 || tot.SessionsLost != 3 {
		t.Errorf("%d early blunt needles, totals %+v", early, tot)
	}
}

func TestASessionAtFourDegreesDoesNotCountWithinThree(t *testing.T) {
	s := tell(t).planned(65).sharps(1, 3).insert(7, at(29)).sharps(9, 2)
	r := s.whatIf(12, always, &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3)})
	x := theTrack(t, r)
	if len(x.Sessions) != 1 || x.Sessions[0].Date != date(7) || !x.Sessions[0].Counted || x.Sessions[0].WhatIf ||
		!strings.Contains(strings.Join(x.Sessions[0].Why, "; "), "more than 3° from the track's angle") {
		t.Errorf("sessions that count otherwise: %+v", x.Sessions)
	}
	if x.Recorded.Counted != 6 || x.WhatIf.Counted != 5 {
		t.Errorf("%d counted and %d would, want 6 and 5", x.Recorded.Counted, x.WhatIf.Counted)
	}
	// Not being ready any more, the track also keeps the finding about its first insertion.
	if f := r.Patients[0].Findings; len(f) != 2 || f[1].Rule != rule.AngleDrift || f[1].Change != whatif.Gained ||
		f[1].Date != date(7) || f[1].Stands ||
		f[0].Rule != rule.FirstByNovice || f[0].Change != whatif.Changed || f[0].How != "still standing instead of over on "+date(11) {
		t.Errorf("findings that differ: %+v", f)
	}
	back := tell(t).adopted("three", "2025-01-01", &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3)}).planned(65).sharps(1, 3).
		insert(7, at(29)).sharps(9, 2).whatIf(12, always, &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(5)})
	y := theTrack(t, back)
	if len(y.Sessions) != 1 || y.Sessions[0].Counted || !y.Sessions[0].WhatIf || len(y.Sessions[0].Why) == 0 ||
		back.Facilities[0].Totals.SessionsGained != 1 {
		t.Errorf("the other way round: %+v", y.Sessions)
	}
	if f := back.Patients[0].Findings; len(f) != 2 || f[1].Change != whatif.Lost || f[1].Rule != rule.AngleDrift {
		t.Errorf("the other way round the finding is %+v", f)
	}
}

func TestFromItsDateOnTheOtherProtocolHoldsForGood(t *testing.T) {
	three := &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3)}
	// Sessions at 29° on day 3 and on day 9, the second after the other protocol began; what
	// the unit adopted for day 8 does not come back.
	s := tell(t).adopted("loose", date(8), &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(10)}).planned(65).sharps(1, 1).
		insert(3, at(29)).sharps(5, 2).insert(9, at(29))
	x := theTrack(t, s.whatIf(10, date(6), three))
	if len(x.Sessions) != 1 || x.Sessions[0].Date != date(9) {
		t.Errorf("sessions that count otherwise: %+v, want that of %s alone", x.Sessions, date(9))
	}
}

func TestTipsTooCloseAreHeldByAStricterProtocol(t *testing.T) {
	strict := &cannularyv1.Protocol{TipDistanceStopMillimetres: proto.Uint32(60)}
	r := tell(t).planned(55).sharps(1, 2).whatIf(4, always, strict)
	p := r.Patients[0]
	if len(p.Holds) != 1 || p.Holds[0].Rule != rule.SpacingShort || p.Holds[0].Change != whatif.Gained || !p.Holds[0].Open ||
		!reflect.DeepEqual(p.Holds[0].Tracks, []string{"A"}) || p.Holds[0].Date != date(0) {
		t.Errorf("holds that differ: %+v", p.Holds)
	}
	// Both sessions would have been under that hold.
	if len(p.Findings) != 2 || p.Findings[0].Change != whatif.Changed || p.Findings[0].How != "stop instead of caution" ||
		p.Findings[1].Rule != rule.NeedledUnderHold || p.Findings[1].Change != whatif.Gained || p.Findings[1].Date != date(1) {
		t.Errorf("findings that differ: %+v", p.Findings)
	}
	if x := theTrack(t, r); x.WhatIf.Needle != "none" || x.Recorded.Needle != "sharp" {
		t.Errorf("next needle %s, would be %s", x.Recorded.Needle, x.WhatIf.Needle)
	}
	loose := tell(t).adopted("strict", "2025-01-01", strict).planned(55).sharps(1, 2).
		whatIf(4, always, &cannularyv1.Protocol{TipDistanceStopMillimetres: proto.Uint32(50)})
	if h := loose.Patients[0].Holds; len(h) != 1 || h[0].Change != whatif.Lost {
		t.Errorf("the other way round: %+v", h)
	}
	for _, tot := range []whatif.Totals{r.Facilities[0].Totals, loose.Facilities[0].Totals} {
		if len(tot.Holds) != 1 || tot.Holds[0].Lost+tot.Holds[0].Gained != 1 || len(tot.Findings) != 2 ||
			tot.Findings[0].Rule != rule.NeedledUnderHold || tot.Findings[0].Lost+tot.Findings[0].Gained != 1 ||
			tot.Findings[1] != (whatif.RuleCount{Rule: rule.SpacingShort, Changed: 1}) || tot.SessionsLost+tot.SessionsGained != 2 {
			t.Errorf("totals %+v", tot)
		}
	}
}

// What the proposal leaves out is no difference, whatever the unit has for it.
func TestWhatTheOtherProtocolLeavesOutStaysAsTheUnitHasIt(t *testing.T) {
	s := tell(t).adopted("strict", "2025-01-01", &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3),
		UsesPegs: proto.Bool(true)}).
		adopted("eight", date(5), &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(8), AngleToleranceDegrees: proto.Float64(3)}).
		planned(65).sharps(1, 3).insert(7, at(29)).sharps(9, 4)
	r := s.whatIf(18, "2025-01-01", target(10))
	ten := func(recorded string) []whatif.Parameter {
		return []whatif.Parameter{{Name: "forming_sessions_target", Recorded: recorded, WhatIf: "10"}}
	}
	if want := []whatif.InForce{{Version: "strict", From: "2025-01-01", Parameters: ten("6")},
		{Version: "eight", From: date(5), Parameters: ten("8")}}; !reflect.DeepEqual(r.Facilities[0].Recorded, want) {
		t.Errorf("compared with %+v, want %+v", r.Facilities[0].Recorded, want)
	}
	if tot := r.Facilities[0].Totals; tot.SessionsLost+tot.SessionsGained != 0 {
		t.Errorf("only the target is another, and sessions count otherwise: %+v", tot)
	}
	if none := s.whatIf(18, "2025-01-01", &cannularyv1.Protocol{}); len(none.Patients) != 0 || len(none.Facilities[0].Parameters) != 0 {
		t.Errorf("a protocol that changes nothing makes differences: %+v", none)
	}
}

func TestTheSameProtocolChangesNothing(t *testing.T) {
	s := tell(t).adopted("eight", "2025-01-01", target(8)).planned(55).sharps(1, 5).insert(12, at(33)).insert(14, blunt)
	r := s.whatIf(20, "2025-01-01", target(8))
	tot := r.Facilities[0].Totals
	if len(r.Patients) != 0 || tot.Patients != 1 || tot.PatientsChanged != 0 || tot.Tracks != 1 || tot.TracksChanged != 0 ||
		len(tot.Findings)+len(tot.Holds) != 0 || len(r.Facilities[0].Parameters) != 0 {
		t.Errorf("differences: %+v", r)
	}
	if text := whatif.Text(&r); !strings.Contains(text, "Nothing would have been judged differently.") ||
		!strings.Contains(text, "no parameter differs") {
		t.Errorf("the text does not say so:\n%s", text)
	}
}

func TestAProtocolOfTheFutureSaysSo(t *testing.T) {
	r := tell(t).planned(65).sharps(1, 8).whatIf(19, "2031-01-01", target(9))
	if len(r.Patients) != 0 || !strings.Contains(strings.Join(r.Notes, " "), "begins on 2031-01-01, after the day looked at") {
		t.Errorf("%+v", r)
	}
	if now := tell(t).planned(65).sharps(1, 8).whatIf(19, always, target(9)); strings.Contains(strings.Join(now.Notes, " "),
		"after the day looked at") {
		t.Errorf("one of the past says it as well: %v", now.Notes)
	}
}

// A patient who is in another facility now belongs to that one, and is judged by its own
// protocol there.
func TestAPatientWhoWentElsewhere(t *testing.T) {
	s := tell(t).planned(65).sharps(1, 3).insert(7, at(29))
	s.unit = "elsewhere"
	s.sharps(9, 4)
	s.unit = "u"
	r := s.whatIf(18, always, &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3), FormingSessionsTarget: proto.Uint32(9)})
	if len(r.Facilities) != 2 || r.Facilities[0].Facility != "elsewhere" || r.Facilities[0].Totals.SessionsLost != 1 ||
		r.Facilities[1].Totals.Patients != 0 || len(r.Facilities[0].Parameters) != 0 {
		t.Errorf("facilities: %+v", r.Facilities)
	}
	if x := theTrack(t, r); x.WhatIf.Needed != 6 || x.WhatIf.Counted != 7 || x.Recorded.Counted != 8 {
		t.Errorf("%+v, want the target of the facility the patient is in now", x)
	}
}

// The day-by-day way folds fact upon fact; where a fact that held was withdrawn it folds
// each day from the beginning. Both must find the same.
func TestBothWaysThroughTheDaysAgree(t *testing.T) {
	long := func() *story {
		s := tell(t).planned(65)
		for day := 1; day < 200; day += 2 {
			switch {
			case day%14 == 1:
				s.insert(day, at(31))
			case day > 40 && day%10 == 1:
				s.insert(day, blunt)
			case day > 150:
				s.insert(day, blunt)
			default:
				s.insert(day)
			}
		}
		return s
	}
	p := &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(8), AngleToleranceDegrees: proto.Float64(7),
		GapExtraDays: proto.Uint32(3)}
	plain := long().whatIf(220, date(30), p)
	withdrawn := long()
	// A corrected plan changes nothing here, but takes the other way.
	first := withdrawn.events[0].GetSourceMessageId()
	withdrawn.cannulation(on(219), 0,
		&cannularyv1.CannulationFact{Fact: &cannularyv1.CannulationFact_FactCorrected{FactCorrected: &cannularyv1.CannulationFactCorrected{
			Correction:  &cannularyv1.Correction{Fact: &cannularyv1.FactReference{SourceMessageId: first}, Revision: 1, Reason: "again"},
			Replacement: plan(66),
		}}})
	other := withdrawn.whatIf(220, date(30), p)
	if len(plain.Patients) == 0 || len(plain.Patients[0].Tracks) == 0 || len(plain.Patients[0].Tracks[0].Sessions) < 5 {
		t.Fatalf("the story has too few differences: %+v", plain)
	}
	if !reflect.DeepEqual(plain.Patients, other.Patients) || !reflect.DeepEqual(plain.Facilities, other.Facilities) {
		t.Errorf("one upon the other:\n%+v\neach from the beginning:\n%+v", plain, other)
	}
}

// What comes to a session after midnight belongs to it, also in the comparison.
func TestASessionOverMidnight(t *testing.T) {
	s := tell(t).planned(65).sharps(1, 2)
	night := func(at time.Time, ordinal uint32, outcome cannularyv1.InsertionOutcome, angle float64) {
		s.insert(5, func(n *cannularyv1.NeedleInserted) {
			n.AttemptOrdinal, n.Outcome, n.AngleDegrees = ordinal, outcome, proto.Float64(angle)
		})
		s.events[len(s.events)-1].OccurredAt.Seconds = at.Unix()
	}
	night(time.Date(2025, 3, 7, 23, 50, 0, 0, time.UTC), 1, cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED, 25)
	night(time.Date(2025, 3, 8, 0, 10, 0, 0, time.UTC), 2, cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, 29)
	x := theTrack(t, s.whatIf(7, always, &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3)}))
	if len(x.Sessions) != 1 || x.Sessions[0].Date != "2025-03-07" || !x.Sessions[0].Counted || x.Sessions[0].WhatIf {
		t.Errorf("sessions that count otherwise: %+v", x.Sessions)
	}
}

// Every parameter of the schema is compared, each under its own name.
func TestEveryParameterIsCompared(t *testing.T) {
	md := (&cannularyv1.Protocol{}).ProtoReflect().Descriptor()
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		p := &cannularyv1.Protocol{}
		m := p.ProtoReflect()
		switch {
		case fd.IsList():
			m.Mutable(fd).List().Append(protoreflect.ValueOfEnum(4))
		case fd.Kind() == protoreflect.BoolKind:
			// The default is not known here: the one value or the other differs.
			m.Set(fd, protoreflect.ValueOfBool(true))
			if r := tell(t).planned(65).whatIf(1, always, p); len(r.Facilities[0].Parameters) == 0 {
				m.Set(fd, protoreflect.ValueOfBool(false))
			}
		case fd.Kind() == protoreflect.DoubleKind:
			m.Set(fd, protoreflect.ValueOfFloat64(17.5))
		default:
			m.Set(fd, protoreflect.ValueOfUint32(39))
		}
		got := tell(t).planned(65).whatIf(1, always, p).Facilities[0].Parameters
		if len(got) != 1 || got[0].Name != string(fd.Name()) || got[0].Recorded == got[0].WhatIf {
			t.Errorf("with another %s these differ: %+v", fd.Name(), got)
		}
	}
}

func TestTheText(t *testing.T) {
	s := tell(t).adopted("2024-2", "2025-01-01", &cannularyv1.Protocol{AngleToleranceDegrees: proto.Float64(3)}).planned(55).sharps(1, 3).
		insert(7, at(29)).sharps(9, 3).insert(17, blunt).insert(19, blunt)
	r := s.whatIf(20, always, &cannularyv1.Protocol{FormingSessionsTarget: proto.Uint32(9), TipDistanceStopMillimetres: proto.Uint32(60)})
	text := whatif.Text(&r)
	for _, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > 100 {
			t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
	for _, want := range []string{
		`What if protocol "other" had been in force from 1970-01-01 on?`, "Facility u, from 1970-01-01, recorded: protocol defaults",
		"Facility u, from 2025-01-01, recorded: protocol 2024-2",
		"forming_sessions_target", "patients judged differently", "1 of 1", "early-blunt", "01234567  A", "hold spacing-short",
		"on the recorded facts", "Decision support only. This changes nothing in the record",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the text does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, s.key) {
		t.Error("the text shows the whole key of the patient")
	}
	if !strings.HasPrefix(text, "Decision support only. This changes nothing in the record") {
		t.Errorf("the text does not begin with the warning:\n%s", text)
	}
	if n := strings.Count(text, "forming_sessions_target"); n != 2 {
		t.Errorf("the parameter stands %d times, want once for each of two protocols:\n%s", n, text)
	}
	// A client that reads the JSON writes the same text.
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var read whatif.Report
	if err := json.Unmarshal(b, &read); err != nil {
		t.Fatal(err)
	}
	if again := whatif.Text(&read); again != text {
		t.Errorf("through JSON the text is\n%s\nwas\n%s", again, text)
	}
	if testing.Verbose() {
		t.Log("\n" + text)
	}
}

func BenchmarkAYearOfAPatient(b *testing.B) {
	s := tell(b).planned(65)
	for day := 1; day < 365; day += 2 {
		for k := range 12 { // as many facts as a session has
			s.fact(on(day).Add(time.Duration(k)*time.Second), day,
				&logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: &cannularyv1.CannulationFact{
					Fact: &cannularyv1.CannulationFact_PegPlaced{PegPlaced: &cannularyv1.PegPlaced{Track: "A"}}}}})
		}
		if day > 20 {
			s.insert(day, blunt)
		} else {
			s.insert(day)
		}
	}
	p := s.patient()
	o := whatif.Options{Proposal: whatif.Proposal{Version: "other", From: always, Protocol: target(8)}, Facilities: []string{"u"},
		Book: protocol.NewBook(nil), Zone: s.at, AsOf: on(366)}
	for b.Loop() {
		compare(p, o)
	}
}
