// Package protocol holds the parameters of a unit's needling protocol with their defaults, and
// decides which protocol was in force on a day. It is a pure function of facts.
package protocol

import (
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Floor is the lowest number of sharp sessions that a protocol or a plan can ask for (common
// practice, no source). It is fixed.
const Floor = 6

// Parameters are those of one protocol, with defaults for what it leaves out. The comments give
// the units. The source of each default stands beside its field in the message schema.
type Parameters struct {
	Version string

	// The plan.
	FormingTarget  int
	TipMin         int     // millimetres
	TipMax         int     // millimetres
	TipStop        int     // millimetres
	AnastomosisMin int     // millimetres
	AngleMin       float64 // degrees
	AngleMax       float64 // degrees

	// Forming.
	UsesPegs       bool
	AngleTolerance float64 // degrees
	RatingMonths   int     // months for which a cannulator's rating is valid
	NeedsListed    bool    // a forming session counts only by creator or deputy
	NeedsSameSpot  bool
	NeedsSamePath  bool
	NeedsSameAngle bool
	GapExtraDays   int // more days than this between counted sessions: one more session
	GapRestartDays int // more days than this: counting starts again
	EasyEntries    int
	DeputiesMax    int

	// Blunt use.
	TrialSessions     int
	SharpOnly         bool
	RescueRepeatCount int
	RescueWindowDays  int
	UnusedCaution     int // more days than this without a used needle: caution
	UnusedStop        int // more days than this: no needle until a review is closed

	// The session.
	AttemptsMax        int
	DisinfectionsMin   int
	Antiseptics        []cannularyv1.Antiseptic
	ChlorhexidineSecs  int
	PovidoneSecs       int
	TopicalProphylaxis bool

	// Trends.
	HaemostasisLong float64  // minutes
	Consecutive     int      // sessions in a row
	PressureLimit   *float64 // mmHg at 200 mL/min; nil if the unit set none
	PressureSlope   float64  // mmHg per twelve sessions
	FlowLow         int      // mL/min
	FlowFallPercent float64
	FlowFallBelow   int // mL/min

	InfiltrationRest int // sessions
}

// From returns a protocol's parameters, with defaults for absent fields.
func From(version string, p *cannularyv1.Protocol) Parameters {
	if p == nil {
		p = &cannularyv1.Protocol{}
	}
	return Parameters{
		Version:            version,
		FormingTarget:      max(Floor, number(p.FormingSessionsTarget, Floor)),
		TipMin:             number(p.TipDistanceMinMillimetres, 60),
		TipMax:             number(p.TipDistanceMaxMillimetres, 80),
		TipStop:            number(p.TipDistanceStopMillimetres, 50),
		AnastomosisMin:     number(p.AnastomosisDistanceMinMillimetres, 38),
		AngleMin:           or(p.AngleMinDegrees, 20),
		AngleMax:           or(p.AngleMaxDegrees, 35),
		UsesPegs:           or(p.UsesPegs, false),
		AngleTolerance:     or(p.AngleToleranceDegrees, 5),
		RatingMonths:       number(p.RatingValidMonths, 12),
		NeedsListed:        or(p.CountNeedsListedCannulator, true),
		NeedsSameSpot:      or(p.CountNeedsSameSpot, true),
		NeedsSamePath:      or(p.CountNeedsSamePath, true),
		NeedsSameAngle:     or(p.CountNeedsSameAngle, true),
		GapExtraDays:       number(p.GapExtraDays, 7),
		GapRestartDays:     number(p.GapRestartDays, 14),
		EasyEntries:        number(p.EasyEntriesNeeded, 2),
		DeputiesMax:        number(p.DeputiesMax, 1),
		TrialSessions:      number(p.TrialSessions, 3),
		SharpOnly:          or(p.SharpOnly, false),
		RescueRepeatCount:  number(p.RescueRepeatCount, 2),
		RescueWindowDays:   number(p.RescueWindowDays, 28),
		UnusedCaution:      number(p.UnusedCautionDays, 21),
		UnusedStop:         number(p.UnusedStopDays, 42),
		AttemptsMax:        number(p.AttemptsMax, 2),
		DisinfectionsMin:   number(p.DisinfectionsMin, 2),
		Antiseptics:        p.GetAntiseptics(),
		ChlorhexidineSecs:  number(p.ChlorhexidineAlcoholContactSeconds, 30),
		PovidoneSecs:       number(p.PovidoneIodineContactSeconds, 120),
		TopicalProphylaxis: or(p.TopicalProphylaxis, false),
		HaemostasisLong:    or(p.HaemostasisLongMinutes, 20),
		Consecutive:        number(p.ConsecutiveSessions, 3),
		PressureLimit:      p.VenousPressureLimitMmhg,
		PressureSlope:      or(p.VenousPressureSlopeMmhg, 10),
		FlowLow:            number(p.FlowLowMillilitresPerMinute, 500),
		FlowFallPercent:    or(p.FlowFallPercent, 25),
		FlowFallBelow:      number(p.FlowFallBelowMillilitresPerMinute, 1000),
		InfiltrationRest:   number(p.InfiltrationRestSessions, 1),
	}
}

func number(v *uint32, otherwise int) int {
	if v != nil {
		return int(*v)
	}
	return otherwise
}

func or[T any](v *T, otherwise T) T {
	if v != nil {
		return *v
	}
	return otherwise
}

// Defaults returns the parameters that hold without an adopted protocol.
func Defaults() Parameters { return From("defaults", nil) }

// Book holds the protocols that facilities adopted.
type Book struct{ adopted map[string][]adoption }

type adoption struct {
	from   string // first local date in force
	at     time.Time
	id     string
	params Parameters
	raw    *cannularyv1.Protocol // as adopted, without defaults; may be nil
}

// NewBook returns the book of the `protocol_adopted` facts among items, without the voided ones.
func NewBook(items []record.Item) *Book {
	b := &Book{adopted: map[string][]adoption{}}
	for i := range items {
		it := &items[i]
		p, ok := it.Body.(*cannularyv1.ProtocolAdopted)
		if !ok || it.Void {
			continue
		}
		b.adopted[it.Facility] = append(b.adopted[it.Facility],
			adoption{p.GetEffectiveFrom(), it.At, it.ID, From(p.GetVersion(), p.GetProtocol()), p.GetProtocol()})
	}
	return b
}

// On returns the protocol in force at the facility on a local date (YYYY-MM-DD): the one with
// the latest effective_from that is not after the date, then the latest adoption, then the
// highest id. Without one it returns the defaults.
func (b *Book) On(facility, date string) Parameters {
	if a := b.inForce(facility, date); a != nil {
		return a.params
	}
	return Defaults()
}

// inForce returns the adoption in force, or nil.
func (b *Book) inForce(facility, date string) *adoption {
	var best *adoption
	for i := range b.adopted[facility] {
		a := &b.adopted[facility][i]
		if a.from > date {
			continue
		}
		if best == nil || later(a, best) {
			best = a
		}
	}
	return best
}

func later(a, b *adoption) bool {
	if a.from != b.from {
		return a.from > b.from
	}
	if !a.at.Equal(b.at) {
		return a.at.After(b.at)
	}
	return a.id > b.id
}

// Contact returns the contact time that the protocol asks of an antiseptic, seconds; 0 if it
// asks for none.
func (p *Parameters) Contact(a cannularyv1.Antiseptic) int {
	switch a {
	case cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL:
		return p.ChlorhexidineSecs
	case cannularyv1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE:
		return p.PovidoneSecs
	}
	return 0
}

// Next returns the first local date after the given one on which another protocol of the
// facility begins; empty if there is none.
func (b *Book) Next(facility, date string) string {
	next := ""
	for _, a := range b.adopted[facility] {
		if a.from > date && (next == "" || a.from < next) {
			next = a.from
		}
	}
	return next
}
