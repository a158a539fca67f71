package histories

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

const system = "urn:invented"

// names are the invented source, keys, facilities and staff of one history.
type names struct {
	source, keyA, keyB string
	facilities         [3]string
	staff              string
}

// named makes names that only the history of that name has.
func named(name string) names {
	key := func(letter string) string {
		return (strings.Repeat(letter, 32) + hex.EncodeToString([]byte(name)))[2*len(name):]
	}
	n := names{"engine-x", key("a"), key("b"), [3]string{"invented-north", "invented-south", "invented-west"}, system}
	if name != "" {
		n.source, n.staff = n.source+"-"+name, system+":"+name
		for i := range n.facilities {
			n.facilities[i] += "-" + name
		}
	}
	return n
}

// told is a fact that was said, so that a later one can take it up.
type told struct {
	id      string
	message string
	ordinal int
	at      time.Time
	key     string
	session string
	unitNo  int
	body    proto.Message
}

// track is what the drawing knows of a track; it judges nothing.
type track struct {
	name, access string
	role         v1.NeedleRole
	angle        float64
	done, goal   int // sessions in it, and from which on needles are blunt
	bleeding     float64
	gauge        uint32
	retired      bool
	direction    v1.NeedleDirection
	depth        float64
	idle         int // sessions for which it is left alone
}

type builder struct {
	names
	r     *rand.Rand
	stray float64
	zones [3]*time.Location
	first time.Time
	day   time.Time // of the latest session, its local date
	last  time.Time // latest clinical time

	events   []*logv1.Event
	told     []told
	messages int
	key      string // for which is posted
	unitNo   int    // facility posted for, 0 to 2
	homeNo   int    // facility that the patient comes to
	session  string // reference, empty for none

	tracks    []*track
	access    string
	kind      v1.AccessKind
	other     string // another access, empty for none
	sessionNo int
	hour      float64 // local hour at which the patient comes
	strayUnit float64 // probability of a session at the other facility
	noRef     float64
	loose     bool // long gaps
	pegs      bool
	sharpOnly bool
	rescues   float64
	flat      float64 // probability that a session is told as one moment
	pressure  float64
	slope     float64
	speed     uint32
	runFrom   int // session from which it bleeds longer
	runFor    int
	elsewhere int      // treatments due through the other access
	vague     float64  // probability that only the day of a fact is told
	mixed     float64  // probability that an attempt leaves its reference out
	reuse     float64  // probability that a reference is used again
	unnamed   bool     // attempts do not name their access
	moves     float64  // probability of a move between two sessions
	unlifted  []string // holds of the fact before, for a lift that names several
	merged    bool
	corrected bool
	reviews   int
}

func (b *builder) chance(p float64) bool { return b.r.Float64() < p }

func (b *builder) facility() string { return b.facilities[b.unitNo] }
func (b *builder) zone() *time.Location {
	return b.zones[b.unitNo]
}

// pick is one of the choices.
func pick[T any](b *builder, choices ...T) T { return choices[b.r.IntN(len(choices))] }

func (b *builder) nurse(n int) *v1.StaffIdentifier {
	return &v1.StaffIdentifier{System: b.staff, Value: fmt.Sprintf("n%d", n)}
}

// local is a moment of the current day at the current facility.
func (b *builder) local(hours float64) time.Time {
	y, m, d := b.day.Date()
	return time.Date(y, m, d, 0, int(hours*60), 0, 0, b.zone())
}

// say posts one message and returns what was told.
func (b *builder) say(at time.Time, bodies ...proto.Message) []told {
	if len(bodies) == 0 {
		return nil
	}
	b.messages++
	message := fmt.Sprintf("m%d", b.messages)
	precision := v1.TimePrecision_TIME_PRECISION_MINUTE
	if b.key != "" && b.chance(b.vagueness(bodies[0])) {
		precision, at = v1.TimePrecision_TIME_PRECISION_DAY, noon(at, b.zone())
	}
	e := &logv1.Event{
		Id: record.EventID(b.source, message), Source: b.source, SourceMessageId: message, Facility: b.facility(),
		PatientKey: b.key, OccurredAt: timestamppb.New(at), Precision: precision,
	}
	if b.session != "" && b.key != "" {
		e.Session = &v1.SessionReference{System: system, Value: b.session}
	}
	var out []told
	for i, body := range bodies {
		e.Facts = append(e.Facts, wrap(body))
		out = append(out, told{record.FactID(e.Id, i), message, i, at, b.key, b.session, b.unitNo, body})
	}
	b.events = append(b.events, e)
	if b.key != "" {
		b.told = append(b.told, out...)
		if at.After(b.last) {
			b.last = at
		}
	}
	return out
}

// noon is the middle of a moment's local day, which stands for a day without a time.
func noon(at time.Time, l *time.Location) time.Time {
	y, m, d := at.In(l).Date()
	return time.Date(y, m, d, 12, 0, 0, 0, l)
}

// vagueness is how often only the day of such a fact is told.
func (b *builder) vagueness(body proto.Message) float64 {
	switch body.(type) {
	case *v1.HoldPlaced, *v1.HoldLifted, *v1.CultureResulted, *v1.SiteSignsSeen:
		return b.vague * 8
	case *v1.AccessExamined, *v1.ReviewClosed, *v1.PatientAdmitted, *v1.PatientLeft, *v1.TrackRested:
		return b.vague * 3
	case *logv1.IdentitiesMerged, *logv1.IdentityMergeReversed, *v1.FactVoided, *v1.SessionVoided:
		return 0
	}
	return b.vague
}

// about says something of the facility or a member of staff.
func (b *builder) about(unitNo int, at time.Time, bodies ...proto.Message) {
	key, was, session := b.key, b.unitNo, b.session
	b.key, b.unitNo, b.session = "", unitNo, ""
	b.say(at, bodies...)
	b.key, b.unitNo, b.session = key, was, session
}

// history puts the events into the order of arrival and asks a question.
func (b *builder) history() History {
	h := History{
		Events: b.events, HasMerge: b.merged, HasCorrection: b.corrected, Patient: b.keyA, Other: b.keyB, Facility: b.facilities[b.homeNo],
	}
	for _, e := range b.events {
		h.Facts += len(e.Facts)
	}
	if b.chance(0.6) {
		b.r.Shuffle(len(h.Events), func(i, j int) { h.Events[i], h.Events[j] = h.Events[j], h.Events[i] })
	} else {
		for range 5 { // nearly in order
			i, j := b.r.IntN(len(h.Events)), b.r.IntN(len(h.Events))
			h.Events[i], h.Events[j] = h.Events[j], h.Events[i]
		}
	}
	span := b.last.Sub(b.first)
	switch {
	case b.chance(0.1):
		h.AsOf = b.first.Add(time.Duration(b.r.Float64() * float64(span)))
	case b.chance(0.06): // when a site was prepared
		h.AsOf = b.last
		for _, t := range b.told[b.r.IntN(len(b.told)):] {
			if p, ok := t.body.(*v1.SitePrepared); ok && p.Scab != v1.Removal_REMOVAL_WHOLE {
				h.AsOf = t.at.Add(time.Duration(b.r.IntN(3)) * time.Minute)
				break
			}
		}
	case b.chance(0.1): // exactly at a fact, or just before
		h.AsOf = b.told[b.r.IntN(len(b.told))].at.Add(pick(b, 0, 0, -time.Second))
	case b.vague > 0 && b.chance(0.15): // in the morning of a day
		h.AsOf = noon(b.told[b.r.IntN(len(b.told))].at, b.zones[b.homeNo]).Add(-time.Duration(b.r.IntN(12*60)) * time.Minute)
	case b.chance(0.25): // later by as much as lets time decide
		h.AsOf = b.last.AddDate(0, 0, b.r.IntN(45))
	default:
		h.AsOf = b.last.Add(time.Duration(b.r.IntN(30)) * time.Hour)
	}
	h.AsOf = h.AsOf.UTC()
	zones, facilities := b.zones, b.facilities
	h.Zone = func(facility string) *time.Location {
		for i := range facilities {
			if facilities[i] == facility {
				return zones[i]
			}
		}
		return zones[0]
	}
	return h
}

// wrap puts a fact into what the log holds.
func wrap(body proto.Message) *logv1.Fact {
	switch m := body.(type) {
	case *logv1.IdentitiesMerged:
		return &logv1.Fact{Fact: &logv1.Fact_IdentitiesMerged{IdentitiesMerged: m}}
	case *logv1.IdentityMergeReversed:
		return &logv1.Fact{Fact: &logv1.Fact_IdentityMergeReversed{IdentityMergeReversed: m}}
	}
	if f := roster(body); f != nil {
		return &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: f}}
	}
	if f := assessment(body); f != nil {
		return &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: f}}
	}
	if f := surveillance(body); f != nil {
		return &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: f}}
	}
	return &logv1.Fact{Fact: &logv1.Fact_Cannulation{Cannulation: cannulation(body)}}
}

// correcting is a correction of t with that content, as the service of the content takes it.
func correcting(c *v1.Correction, body proto.Message) proto.Message {
	if f := roster(body); f != nil {
		return &v1.RosterFactCorrected{Correction: c, Replacement: f}
	}
	if f := assessment(body); f != nil {
		return &v1.AssessmentFactCorrected{Correction: c, Replacement: f}
	}
	if f := surveillance(body); f != nil {
		return &v1.SurveillanceFactCorrected{Correction: c, Replacement: f}
	}
	return &v1.CannulationFactCorrected{Correction: c, Replacement: cannulation(body)}
}

func roster(body proto.Message) *v1.RosterFact {
	switch m := body.(type) {
	case *v1.FacilityRegistered:
		return &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: m}}
	case *v1.ProtocolAdopted:
		return &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: m}}
	case *v1.CannulatorRated:
		return &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: m}}
	case *v1.PatientAdmitted:
		return &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: m}}
	case *v1.PatientLeft:
		return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: m}}
	case *v1.AccessCreated:
		return &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: m}}
	case *v1.AccessRetired:
		return &v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: m}}
	case *v1.DeputyNamed:
		return &v1.RosterFact{Fact: &v1.RosterFact_DeputyNamed{DeputyNamed: m}}
	case *v1.RosterFactCorrected:
		return &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: m}}
	}
	return nil
}

func assessment(body proto.Message) *v1.AssessmentFact {
	switch m := body.(type) {
	case *v1.AccessExamined:
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: m}}
	case *v1.VenousPressureRead:
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_VenousPressureRead{VenousPressureRead: m}}
	case *v1.AccessFlowMeasured:
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessFlowMeasured{AccessFlowMeasured: m}}
	case *v1.AssessmentFactCorrected:
		return &v1.AssessmentFact{Fact: &v1.AssessmentFact_FactCorrected{FactCorrected: m}}
	}
	return nil
}

func surveillance(body proto.Message) *v1.SurveillanceFact {
	switch m := body.(type) {
	case *v1.CultureResulted:
		return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: m}}
	case *v1.SiteSignsSeen:
		return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: m}}
	case *v1.SurveillanceFactCorrected:
		return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactCorrected{FactCorrected: m}}
	}
	return nil
}

func cannulation(body proto.Message) *v1.CannulationFact {
	switch m := body.(type) {
	case *v1.SessionStarted:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: m}}
	case *v1.SessionEnded:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionEnded{SessionEnded: m}}
	case *v1.SessionMissed:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionMissed{SessionMissed: m}}
	case *v1.TrackPlanned:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: m}}
	case *v1.TrackTakenOver:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: m}}
	case *v1.SitePrepared:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: m}}
	case *v1.NeedleInserted:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: m}}
	case *v1.NeedleRemoved:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: m}}
	case *v1.PegPlaced:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_PegPlaced{PegPlaced: m}}
	case *v1.PegRemoved:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_PegRemoved{PegRemoved: m}}
	case *v1.PegFoundMissing:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_PegFoundMissing{PegFoundMissing: m}}
	case *v1.ComplicationSeen:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_ComplicationSeen{ComplicationSeen: m}}
	case *v1.HoldPlaced:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: m}}
	case *v1.HoldLifted:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: m}}
	case *v1.ReviewOpened:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: m}}
	case *v1.ReviewClosed:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewClosed{ReviewClosed: m}}
	case *v1.TrackRested:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: m}}
	case *v1.TrackResumed:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackResumed{TrackResumed: m}}
	case *v1.TrackRetired:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: m}}
	case *v1.CannulationFactCorrected:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_FactCorrected{FactCorrected: m}}
	case *v1.FactVoided:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: m}}
	case *v1.SessionVoided:
		return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: m}}
	}
	return nil
}
