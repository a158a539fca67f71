// Package protocol holds the parameters of a unit's needling protocol with their defaults,
// and decides which protocol was in force on a day. It is pure.
package protocol

import (
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Floor is the least number of sharp sessions that any protocol or plan may ask for
// (common practice, no source). It is fixed.
const Floor = 6

// Parameters are those of one protocol, defaults filled in. Units are in the names; the
// source of each default stands beside its field in the message schema.
type Parameters struct {
	Version           string
	FormingTarget     int
	UsesPegs          bool
	AngleTolerance    float64 // degrees
	NeedsListed       bool    // a forming session counts only by creator or deputy
	NeedsSameSpot     bool
	NeedsSamePath     bool
	NeedsSameAngle    bool
	GapExtraDays      int // more days than this between counted sessions: one more session
	GapRestartDays    int // more days than this: counting starts again
	EasyEntries       int
	TrialSessions     int
	SharpOnly         bool
	DisinfectionsMin  int
	Antiseptics       []cannularyv1.Antiseptic
	ChlorhexidineSecs int
	PovidoneSecs      int
}

// From fills a protocol's absent fields with their defaults.
func From(version string, p *cannularyv1.Protocol) Parameters {
	return Parameters{
		Version:           version,
		FormingTarget:     max(Floor, number(p.GetFormingSessionsTarget, p != nil && p.FormingSessionsTarget != nil, Floor)),
		UsesPegs:          p.GetUsesPegs(),
		AngleTolerance:    value(p.GetAngleToleranceDegrees, p != nil && p.AngleToleranceDegrees != nil, 5),
		NeedsListed:       flag(p.GetCountNeedsListedCannulator, p != nil && p.CountNeedsListedCannulator != nil),
		NeedsSameSpot:     flag(p.GetCountNeedsSameSpot, p != nil && p.CountNeedsSameSpot != nil),
		NeedsSamePath:     flag(p.GetCountNeedsSamePath, p != nil && p.CountNeedsSamePath != nil),
		NeedsSameAngle:    flag(p.GetCountNeedsSameAngle, p != nil && p.CountNeedsSameAngle != nil),
		GapExtraDays:      number(p.GetGapExtraDays, p != nil && p.GapExtraDays != nil, 7),
		GapRestartDays:    number(p.GetGapRestartDays, p != nil && p.GapRestartDays != nil, 14),
		EasyEntries:       number(p.GetEasyEntriesNeeded, p != nil && p.EasyEntriesNeeded != nil, 2),
		TrialSessions:     number(p.GetTrialSessions, p != nil && p.TrialSessions != nil, 3),
		SharpOnly:         p.GetSharpOnly(),
		DisinfectionsMin:  number(p.GetDisinfectionsMin, p != nil && p.DisinfectionsMin != nil, 2),
		Antiseptics:       p.GetAntiseptics(),
		ChlorhexidineSecs: number(p.GetChlorhexidineAlcoholContactSeconds, p != nil && p.ChlorhexidineAlcoholContactSeconds != nil, 30),
		PovidoneSecs:      number(p.GetPovidoneIodineContactSeconds, p != nil && p.PovidoneIodineContactSeconds != nil, 120),
	}
}

func number(get func() uint32, set bool, otherwise int) int {
	if set {
		return int(get())
	}
	return otherwise
}

func value(get func() float64, set bool, otherwise float64) float64 {
	if set {
		return get()
	}
	return otherwise
}

// flag reads a switch whose default is on.
func flag(get func() bool, set bool) bool { return !set || get() }

// Defaults are the parameters where no protocol was adopted.
func Defaults() Parameters { return From("defaults", nil) }

// Book knows the protocols that facilities adopted.
type Book struct{ adopted map[string][]adoption }

type adoption struct {
	from   string // first local date in force
	at     time.Time
	id     string
	params Parameters
}

// NewBook reads the `protocol_adopted` facts among items, voided ones left out.
func NewBook(items []record.Item) *Book {
	b := &Book{adopted: map[string][]adoption{}}
	for i := range items {
		it := &items[i]
		p, ok := it.Body.(*cannularyv1.ProtocolAdopted)
		if !ok || it.Void {
			continue
		}
		b.adopted[it.Facility] = append(b.adopted[it.Facility], adoption{p.GetEffectiveFrom(), it.At, it.ID, From(p.GetVersion(), p.GetProtocol())})
	}
	return b
}

// On is the protocol in force at the facility on a local date (YYYY-MM-DD): the latest
// effective_from not after it, then the latest adoption, then the highest id. Without one
// it is the defaults.
func (b *Book) On(facility, date string) Parameters {
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
	if best == nil {
		return Defaults()
	}
	return best.params
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
