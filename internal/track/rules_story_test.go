package track_test

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

// said reports a fact about the patient at the hour of the day; session 0 is none.
func (s *story) said(day int, hour float64, session int, body proto.Message) *story {
	at := time.Date(2025, 3, 2+day, 0, 0, 0, 0, time.UTC).Add(time.Duration(hour * float64(time.Hour)))
	return s.fact(at, session, wrapFact(body))
}

// exam reports an examination of access F with thrill and bruit, changed by the options.
func (s *story) exam(day int, opts ...func(*v1.AccessExamined)) *story {
	x := &v1.AccessExamined{Access: "F", Look: &v1.Look{}, Listen: &v1.Listen{Bruit: present}, Feel: &v1.Feel{Thrill: present}}
	for _, o := range opts {
		o(x)
	}
	return s.said(day, 7, day, x)
}

const (
	present = v1.Finding_FINDING_PRESENT
	absent  = v1.Finding_FINDING_ABSENT
	unseen  = v1.Finding_FINDING_NOT_EXAMINED
)

// plan reports a plan of the tracks A and B, changed by the options.
func (s *story) plan(day int, opts ...func(*v1.TrackPlanned)) *story {
	p := &v1.TrackPlanned{Access: "F", Tracks: []*v1.TrackPlan{
		{Track: "A", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: proto.Float64(25)},
		{Track: "B", Role: v1.NeedleRole_NEEDLE_ROLE_VENOUS, AngleDegrees: proto.Float64(25)}}}
	for _, o := range opts {
		o(p)
	}
	return s.said(day, 6, 0, p)
}

func tips(mm uint32) func(*v1.TrackPlanned) {
	return func(p *v1.TrackPlanned) { p.TipDistanceMillimetres = &mm }
}

func siteOf(mm uint32) func(*v1.TrackPlanned) {
	return func(p *v1.TrackPlanned) { p.Tracks[0].SiteFromAnastomosisMillimetres = &mm }
}

func angled(deg float64) func(*v1.TrackPlanned) {
	return func(p *v1.TrackPlanned) { p.Tracks[0].AngleDegrees = &deg }
}

func (s *story) access(day int, kind v1.AccessKind) *story {
	return s.said(day, 5, 0, &v1.AccessCreated{Access: "F", Kind: kind})
}

// rated reports the rating of a nurse, on a date.
func (s *story) rated(who, date string, level v1.CannulatorLevel) *story {
	at, err := time.Parse(time.DateOnly, date)
	if err != nil {
		s.t.Fatal(err)
	}
	s.fact(at.Add(9*time.Hour), 0, wrapFact(&v1.CannulatorRated{Cannulator: nurse(who), Level: level}))
	s.events[len(s.events)-1].PatientKey = ""
	return s
}

// ready tells six easy sharp sessions on days 1 to 11 by a rated creator, so that A is ready.
func (s *story) ready() *story { return s.made().planned(0).sharps(1, 6) }

// trial is ready with the first blunt session on day 13.
func (s *story) trial() *story { return s.ready().insert(13, 13, blunt) }

// made rates the creator and gives every session of the days 1 to 60 two disinfections.
func (s *story) made() *story {
	s.rated("creator", "2025-01-01", creatorLevel)
	for day := 1; day <= 60; day++ {
		s.said(day, 7.5, day, &v1.SitePrepared{Track: "A", Disinfections: []*v1.Disinfection{{}, {}}})
	}
	return s
}

const creatorLevel = v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR

func (s *story) prepared(day int, opts ...func(*v1.SitePrepared)) *story {
	p := &v1.SitePrepared{Track: "A"}
	for _, o := range opts {
		o(p)
	}
	return s.said(day, 7.6, day, p)
}

func disinfected(n int, complete v1.Answer) func(*v1.SitePrepared) {
	return func(p *v1.SitePrepared) {
		for range n {
			p.Disinfections = append(p.Disinfections, &v1.Disinfection{})
		}
		p.DisinfectionsComplete = complete
	}
}

func acted(agent v1.Antiseptic, seconds uint32) func(*v1.SitePrepared) {
	return func(p *v1.SitePrepared) {
		p.Disinfections = []*v1.Disinfection{{Agent: agent, ContactSeconds: &seconds}, {}}
	}
}

func scab(r v1.Removal) func(*v1.SitePrepared) { return func(p *v1.SitePrepared) { p.Scab = r } }

// removed tells that the needle of the day's session came out.
func (s *story) removed(day int, angle, minutes *float64) *story {
	return s.said(day, 12, day, &v1.NeedleRemoved{Track: "A", AngleDegrees: angle, HaemostasisMinutes: minutes})
}

// bleeding reports the times to haemostasis of sessions on following days from day.
func (s *story) bleeding(day int, minutes ...float64) *story {
	for i, m := range minutes {
		s.removed(day+i, nil, proto.Float64(m))
	}
	return s
}

// pressures tells venous pressures on following days from day, at 200 mL/min with 16G.
func (s *story) pressures(day int, gauge, speed uint32, mmhg ...float64) *story {
	for i, m := range mmhg {
		s.said(day+i, 9, day+i, &v1.VenousPressureRead{Access: "F", PressureMmhg: proto.Float64(m), Gauge: &gauge,
			PumpSpeedMillilitresPerMinute: &speed})
	}
	return s
}

func (s *story) flow(day int, mlmin float64) *story {
	return s.said(day, 10, 0, &v1.AccessFlowMeasured{Access: "F", FlowMillilitresPerMinute: &mlmin})
}

func (s *story) pump(day int, speed uint32) *story {
	return s.said(day, 7.9, day, &v1.SessionStarted{Access: "F", PumpSpeedMillilitresPerMinute: &speed})
}

func gauge(g uint32) func(*v1.NeedleInserted) { return func(n *v1.NeedleInserted) { n.Gauge = &g } }

func because(r v1.RescueReason) func(*v1.NeedleInserted) {
	return func(n *v1.NeedleInserted) { n.RescueReason = r }
}

func (s *story) culture(day int, change func(*v1.CultureResulted)) *story {
	c := &v1.CultureResulted{CollectedAt: timestamppb.New(on(day)), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
		Organisms: []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS}}}
	if change != nil {
		change(c)
	}
	return s.said(day, 9, 0, c)
}

// lifted lifts the hold that a rule placed on the ground of the n-th message told.
func (s *story) lifted(day int, code string, message int) *story {
	id := record.HoldID(code, record.FactID(s.events[message].GetId(), 0))
	return s.said(day, 16, 0, &v1.HoldLifted{Hold: id, LiftedBy: nurse("surgeon"), Reason: "Seen and sound."})
}

func (s *story) void(day, message int) *story {
	return s.said(day, 17, 0, &v1.FactVoided{Fact: &v1.FactReference{SourceMessageId: s.events[message].GetSourceMessageId()},
		Reason: "Another patient's."})
}

func (s *story) last() int { return len(s.events) - 1 }

func one[T any](v T) *T { return &v }
