package histories

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "cannulary/proto/cannulary/v1"
)

const present = v1.Finding_FINDING_PRESENT

// something happens.
func (b *builder) something() {
	at := b.moment()
	where := b.facility()
	switch n := b.r.IntN(100); {
	case n < 7:
		b.home = b.r.IntN(3)
		b.say(at, facilities[b.home], &v1.PatientAdmitted{FirstTreatmentOn: b.date(at, 10)})
	case n < 11:
		b.say(at, where, &v1.PatientLeft{Reason: v1.LeavingReason(b.r.IntN(7)), ToFacility: facilities[b.r.IntN(3)] + b.name})
	case n < 18:
		b.createAccess(at, where)
	case n < 21:
		b.say(at, where, &v1.AccessRetired{Access: b.access()})
	case n < 25:
		b.plan(at, where)
	case n < 28:
		track := b.track()
		b.say(at, where, &v1.TrackTakenOver{Track: track, Access: b.of(track), Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
			Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, InUseSince: b.date(at, 20), Evidence: "invented"})
	case n < 31:
		b.say(at, where, &v1.TrackRetired{Track: b.track()})
	case n < 48:
		b.treatment(at, where)
	case n < 66:
		b.culture(at, where)
	case n < 72:
		b.say(at, where, &v1.HospitalAdmission{})
	case n < 76:
		b.say(at, where, &v1.HospitalDischarge{})
	case n < 86:
		b.course(at, where)
	case n < 94:
		b.signs(at, where)
	case n < 97:
		b.outcome(at, where)
	default:
		b.beside(at, where)
	}
}

func (b *builder) access() string {
	if len(b.accesses) == 0 || b.chance(0.03) {
		return "A0"
	}
	return b.accesses[b.r.IntN(len(b.accesses))]
}

func (b *builder) createAccess(at time.Time, where string) {
	name := b.access()
	if len(b.accesses) == 0 || b.chance(0.6) {
		name = fmt.Sprintf("A%d", len(b.accesses)+1)
		b.accesses = append(b.accesses, name)
	}
	kind := v1.AccessKind_ACCESS_KIND_FISTULA
	if b.chance(0.4) {
		kind = v1.AccessKind(1 + b.r.IntN(5))
	}
	b.say(at, where, &v1.AccessCreated{Access: name, Kind: kind, CreatedOn: b.date(at, 15)})
}

// track is a known track or a new one.
func (b *builder) track() string {
	if len(b.tracks) == 0 || len(b.tracks) < 5 && b.chance(0.25) {
		name := fmt.Sprintf("T%d", len(b.tracks)+1)
		b.tracks = append(b.tracks, name)
		b.where[name] = b.access()
		return name
	}
	return b.tracks[b.r.IntN(len(b.tracks))]
}

// of is the access of a track, at times another.
func (b *builder) of(track string) string {
	if b.chance(0.05) {
		return b.access()
	}
	return b.where[track]
}

func (b *builder) plan(at time.Time, where string) {
	track := b.track()
	b.say(at, where, &v1.TrackPlanned{Access: b.of(track), Tracks: []*v1.TrackPlan{{Track: track,
		Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL}}})
}

// treatment is a session with what is done in it.
func (b *builder) treatment(at time.Time, where string) {
	if b.chance(0.15) { // a guest
		where = facilities[b.r.IntN(3)]
	}
	access := b.access()
	var bodies []proto.Message
	if b.chance(0.6) {
		bodies = append(bodies, &v1.SessionStarted{Access: access})
	}
	if b.chance(0.6) {
		n := &v1.NeedleInserted{Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1, Outcome: v1.InsertionOutcome(1 + b.r.IntN(3))}
		if b.chance(0.75) {
			n.Track = b.track()
		}
		if n.Track == "" || b.chance(0.3) {
			n.Access = access
			if n.Track != "" {
				n.Access = b.of(n.Track)
			}
		}
		bodies = append(bodies, n)
	}
	if b.chance(0.2) || len(bodies) == 0 {
		bodies = append(bodies, &v1.SessionEnded{Access: pick(b, "", access)})
	}
	b.say(at, where, bodies...)
}

func (b *builder) culture(at time.Time, where string) {
	if len(b.cultures) > 0 && b.chance(0.35) {
		c := b.cultures[b.r.IntN(len(b.cultures))]
		b.say(at, where, &v1.SuspectedSourceAssessed{Culture: reference(c), SuspectedSource: v1.SuspectedSource(1 + b.r.IntN(4))})
		return
	}
	collected := at.Add(-time.Duration(b.r.IntN(80)) * time.Hour)
	if len(b.cultures) > 0 && b.chance(0.5) { // about three weeks from another
		m := b.cultures[b.r.IntN(len(b.cultures))].body.(*v1.CultureResulted)
		collected = m.GetCollectedAt().AsTime().AddDate(0, 0, pick(b, 0, 0, 1, 20, 21, 22)*pick(b, 1, -1))
	}
	c := &v1.CultureResulted{
		CollectedAt: timestamppb.New(collected), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
		Specimen: pick(b, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
			v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
			v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE),
		Setting: v1.CollectionSetting(pick(b, 0, 1, 1, 1, 2, 3, 3)), Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
	}
	if b.chance(0.15) {
		c.Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE
	} else {
		for range b.r.IntN(3) {
			o := &v1.Organism{Group: v1.OrganismGroup(1 + b.r.IntN(8))}
			for k := range b.r.IntN(3) {
				agent := &v1.Coding{System: "urn:invented", Code: fmt.Sprint("a", k), Display: pick(b, "", "agent")}
				o.Susceptibilities = append(o.Susceptibilities, &v1.Susceptibility{Agent: agent,
					Result: v1.SusceptibilityResult(1 + b.r.IntN(6))})
			}
			c.Organisms = append(c.Organisms, o)
		}
	}
	if c.Setting == v1.CollectionSetting_COLLECTION_SETTING_INPATIENT && b.chance(0.6) {
		b.say(collected.AddDate(0, 0, -b.r.IntN(4)), where, &v1.HospitalAdmission{})
	}
	b.cultures = append(b.cultures, b.say(at, where, c)...)
}

func (b *builder) course(at time.Time, where string) {
	if b.courses > 0 && b.chance(0.35) {
		b.say(at, where, &v1.AntimicrobialEnded{Course: fmt.Sprintf("c%d", 1+b.r.IntN(b.courses)), LastDoseOn: b.date(at, 3)})
		return
	}
	b.courses++
	name := fmt.Sprintf("c%d", b.courses)
	if b.chance(0.06) {
		name = "c1"
	}
	b.say(at, where, &v1.AntimicrobialStarted{Course: name, Route: v1.AntimicrobialRoute(pick(b, 1, 1, 1, 1, 2, 3)),
		ContinuedFromHospital: v1.Answer(b.r.IntN(4)),
		Vancomycin:            v1.Answer(b.r.IntN(4)), BloodCultureTaken: v1.Answer(b.r.IntN(4))})
	if b.chance(0.6) {
		b.say(at.AddDate(0, 0, b.r.IntN(12)), where, &v1.AntimicrobialEnded{Course: name, LastDoseOn: b.date(at, 2)})
	}
}

// outcome assesses what some fact led to, an event or not.
func (b *builder) outcome(at time.Time, where string) {
	if len(b.told) == 0 {
		return
	}
	t := b.told[b.r.IntN(len(b.told))]
	if len(b.cultures) > 0 && b.chance(0.5) {
		t = b.cultures[b.r.IntN(len(b.cultures))]
	}
	b.say(at, where, &v1.EventOutcomeAssessed{Event: reference(t), HospitalStay: v1.Answer(1 + b.r.IntN(3)),
		AccessLost: v1.Answer(b.r.IntN(4)), Death: v1.Answer(b.r.IntN(4))})
}

func (b *builder) signs(at time.Time, where string) {
	if b.chance(0.5) {
		s := &v1.SiteSignsSeen{Access: b.access()}
		*pick(b, &s.Pus, &s.Redness, &s.Swelling) = present
		if b.chance(0.5) {
			s.Track = b.track()
		}
		b.say(at, where, s)
		return
	}
	b.say(at, where, b.examination())
}

// examination finds something, mostly.
func (b *builder) examination() *v1.AccessExamined {
	e := &v1.AccessExamined{Access: b.access(), Look: &v1.Look{Swelling: v1.Finding(b.r.IntN(4)), Aneurysm: present}}
	if b.chance(0.3) {
		*pick(b, &e.Look.Redness, &e.Look.Pus) = present
	}
	for range b.r.IntN(3) {
		e.Sites = append(e.Sites, &v1.SiteLook{Track: b.track(), Pus: v1.Finding(b.r.IntN(4)), Redness: v1.Finding(b.r.IntN(4)),
			Swelling: v1.Finding(b.r.IntN(4)), Peg: present})
	}
	return e
}

// beside is what surveillance passes over, or nearly.
func (b *builder) beside(at time.Time, where string) {
	track := b.track()
	b.say(at, where, pick[proto.Message](b,
		&v1.SitePrepared{Track: track}, &v1.NeedleRemoved{Track: track}, &v1.PegPlaced{Track: track},
		&v1.SessionMissed{}, &v1.ScheduleSet{Days: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}},
		&v1.TrackRested{Track: track}, &v1.TrackResumed{Track: track},
		&v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA, Track: track},
		&v1.HoldPlaced{Track: track, Reason: "invented"}, &v1.DeputyNamed{Track: track},
		&v1.VenousPressureRead{Access: b.access(), PressureMmhg: proto.Float64(120)},
		&v1.AccessFlowMeasured{Access: b.access(), FlowMillilitresPerMinute: proto.Float64(900)},
	))
}

// changed is other content of the same kind; nil for what is not corrected.
func (b *builder) changed(body proto.Message) proto.Message {
	switch m := proto.Clone(body).(type) {
	case *v1.PatientAdmitted:
		m.FirstTreatmentOn = b.date(b.moment(), 1)
		return m
	case *v1.AccessCreated:
		m.Kind = v1.AccessKind(1 + b.r.IntN(5))
		return m
	case *v1.CultureResulted:
		m.Setting = v1.CollectionSetting(b.r.IntN(4))
		m.CollectedAt = timestamppb.New(m.GetCollectedAt().AsTime().AddDate(0, 0, b.r.IntN(5)-2))
		if b.chance(0.3) {
			m.Growth, m.Organisms = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE, nil
		}
		return m
	case *v1.SuspectedSourceAssessed:
		m.SuspectedSource = v1.SuspectedSource(1 + b.r.IntN(4))
		return m
	case *v1.EventOutcomeAssessed:
		m.HospitalStay = v1.Answer(1 + b.r.IntN(3))
		return m
	case *v1.AntimicrobialStarted:
		m.Vancomycin = v1.Answer(b.r.IntN(4))
		m.Route = v1.AntimicrobialRoute(1 + b.r.IntN(3))
		return m
	case *v1.AntimicrobialEnded:
		m.LastDoseOn = b.date(b.moment(), 1)
		return m
	case *v1.SiteSignsSeen:
		m.Track = ""
		return m
	case *v1.AccessExamined:
		return b.examination()
	case *v1.NeedleInserted:
		m.Track, m.Access = b.track(), ""
		return m
	case *v1.TrackTakenOver, *v1.TrackRetired, *v1.AccessRetired, *v1.PatientLeft, *v1.SessionStarted, *v1.HospitalAdmission,
		*v1.HospitalDischarge:
		return m
	}
	return nil
}
