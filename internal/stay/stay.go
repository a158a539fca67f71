// Package stay says where a patient is dialysed, and since when. This comment defines a stay for
// judgement, lists, pack and surveillance alike. The package is a pure function of facts and reads
// no clock.
//
// # Stays
//
// Stays rest on the facts of one patient, of all merged identities, after corrections and voids,
// in the order of record.Before. Dates are local dates at the facility of the fact. A patient has
// at most one stay on a date (ours).
//
//   - An admission opens a stay at its facility. The stay begins on the date of the first
//     treatment if the message states it, else on the message's date. On that date it ends every
//     stay elsewhere, and it cancels every later stay elsewhere. It does so also if the message
//     arrives late.
//   - Leaving ends the stay at the facility of its envelope, and no other. A stay there that has
//     yet to begin is ended too. The day of leaving is not one of the stay.
//   - Care is the start of a treatment, or a needle, given up or not. Where no stay holds the
//     date, care opens one at its facility. It lasts until the next stay that was announced. It
//     opens none on the date on which the patient last left that facility.
//   - A stay that care alone opened goes where the care is. Days as a guest end no stay that an
//     admission opened.
//   - Two stays at the same facility without a gap are one stay. An admission opened it if one
//     opened either of the two.
//   - Days in hospital end no stay.
//
// Several facts can open a stay on one date. Then the last in the order of facts has the whole
// date, except that care never takes a date from an admission. The other stays have no day left
// and are dropped. So after a transfer within a day the new facility has that day, whatever the
// hour. A patient who leaves on the date of the admission has no stay there.
//
// # In force at a moment
//
// At answers with one facility:
//
//   - the facility of the stay that holds the moment's date in that facility's zone; of two that
//     do so in different zones, the one that began later;
//   - else that of the stay that ended last before;
//   - else that of the newest plan or roster fact up to the moment;
//   - else that of the newest other fact up to the moment.
//
// Read leaves out what happened after the moment that it is given: a transfer that has not
// happened yet changes nothing. A stay that was announced before the moment for a later date is
// no stay at the moment either, but it is known.
package stay

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Stay is a range of local dates at one facility: From is in it, To is not.
type Stay struct {
	Facility string
	From     zone.Day
	To       zone.Day // zone.Never while it goes on
	// Admitted reports that an admission opened the stay. Otherwise a treatment did, and no
	// admission is on record.
	Admitted bool
}

// Has reports whether a local date lies in the stay.
func (s Stay) Has(d zone.Day) bool { return s.From <= d && d < s.To }

// Leaving is a message that the patient left a facility.
type Leaving struct {
	Facility    string
	At          time.Time
	Day         zone.Day // the local date there
	Reason      cannularyv1.LeavingReason
	Destination string // the receiving facility, empty if the message names none
}

// Stays are the stays of one patient. A copy of the value can grow on its own.
type Stays struct {
	zone     func(facility string) *time.Location
	list     []Stay    // oldest first, none overlaps another; never changed in place
	leavings []Leaving // in the order of facts
	stated   []place   // of plans and roster facts
	told     []place   // of other facts
}

// place is the facility of facts from a moment on.
type place struct {
	at       time.Time
	facility string
}

// New returns the stays of a patient without facts. zones returns the time zone of a facility;
// if zones or its result is nil, the zone is UTC.
func New(zones func(facility string) *time.Location) *Stays { return &Stays{zone: zones} }

// Read returns the stays by the facts up to asOf, the moment itself included; a zero asOf means
// all facts. items are in the order of record.Before. Voided items are skipped.
func Read(items []record.Item, zones func(facility string) *time.Location, asOf time.Time) *Stays {
	s := New(zones)
	for i := range items {
		if it := &items[i]; !it.Void && (asOf.IsZero() || !it.At.After(asOf)) {
			s.Add(&it.Fact)
		}
	}
	return s
}

// Add folds the next fact that stands, in the order of record.Before.
func (s *Stays) Add(f *record.Fact) {
	switch b := f.Body.(type) {
	case *cannularyv1.PatientAdmitted:
		d, err := zone.ParseDay(b.GetFirstTreatmentOn())
		if err != nil {
			d = s.day(f.Facility, f.At)
		}
		s.admit(f.Facility, d)
	case *cannularyv1.PatientLeft:
		s.leave(Leaving{f.Facility, f.At, s.day(f.Facility, f.At), b.GetReason(), b.GetToFacility()})
	default:
		if f.BeginsTreatment() {
			s.care(f.Facility, s.day(f.Facility, f.At))
		}
	}
	if states(f.BodyKind()) {
		s.stated = placed(s.stated, f)
	} else {
		s.told = placed(s.told, f)
	}
}

// states reports the kinds that say where a patient belongs: plans, and roster facts about a
// patient.
func states(k record.Kind) bool {
	switch k {
	case record.KindTrackPlanned, record.KindPatientAdmitted, record.KindPatientLeft, record.KindScheduleSet, record.KindAccessCreated,
		record.KindAccessRetired, record.KindDeputyNamed, record.KindHospitalAdmission, record.KindHospitalDischarge,
		record.KindIdentityStated, record.KindPatientsMerged, record.KindMergeReversed:
		return true
	}
	return false
}

// placed appends a fact's facility if it differs from the last one.
func placed(list []place, f *record.Fact) []place {
	if n := len(list); n > 0 && list[n-1].facility == f.Facility {
		return list
	}
	return append(slices.Clip(list), place{f.At, f.Facility})
}

// Leavings are those that stand, in the order of their facts. The caller must not change them.
func (s *Stays) Leavings() []Leaving { return s.leavings }

func (s *Stays) day(facility string, t time.Time) zone.Day {
	if s.zone == nil {
		return zone.DayOf(t, nil)
	}
	return zone.DayOf(t, s.zone(facility))
}

// admit opens a stay on a date and cancels every later stay elsewhere.
func (s *Stays) admit(facility string, d zone.Day) {
	s.cut(d, func(Stay) bool { return true })
	s.insert(Stay{facility, d, zone.Never, true})
}

// leave ends the stay at a facility, also one that has yet to begin.
func (s *Stays) leave(l Leaving) {
	s.cut(l.Day, func(o Stay) bool { return o.Facility == l.Facility })
	s.leavings = append(slices.Clip(s.leavings), l)
}

// cut ends the chosen stays on a date and drops those without a day left.
func (s *Stays) cut(d zone.Day, which func(Stay) bool) {
	var out []Stay
	for _, o := range s.list {
		if which(o) {
			o.To = min(o.To, d)
		}
		if o.From < o.To {
			out = append(out, o)
		}
	}
	s.list = out
}

// insert adds a stay and joins it with one at the same facility that it touches.
func (s *Stays) insert(n Stay) {
	out := make([]Stay, 0, len(s.list)+1)
	for _, o := range s.list {
		if o.Facility == n.Facility && (o.To == n.From || o.From == n.To) {
			n = Stay{n.Facility, min(o.From, n.From), max(o.To, n.To), o.Admitted || n.Admitted}
			continue
		}
		out = append(out, o)
	}
	s.list = append(out, n)
	slices.SortFunc(s.list, func(a, b Stay) int { return cmp.Compare(a.From, b.From) })
}

// care opens a stay where there is none, or moves one that care alone opened elsewhere.
func (s *Stays) care(facility string, d zone.Day) {
	to := zone.Never
	for _, o := range s.list {
		switch {
		case o.Has(d):
			if o.Facility == facility || o.Admitted {
				return
			}
			to = o.To
		case o.From > d:
			to = min(to, o.From)
		}
	}
	for _, l := range slices.Backward(s.leavings) {
		if l.Facility == facility {
			if l.Day == d {
				return // it is the treatment of the day on which the patient left
			}
			break
		}
	}
	s.cut(d, func(o Stay) bool { return o.From <= d })
	s.insert(Stay{facility, d, to, false})
}

// List returns the stays, oldest first; none overlaps another.
func (s *Stays) List() []Stay { return s.list }

// On returns the stay that holds a date; ok is false if there is none.
func (s *Stays) On(d zone.Day) (in Stay, ok bool) {
	for _, o := range s.list {
		if o.Has(d) {
			return o, true
		}
	}
	return Stay{}, false
}

// Moment is where a patient belongs at one moment.
type Moment struct {
	// Facility is where the patient belongs; empty if no fact is known up to the moment.
	Facility string
	// Open reports that a stay holds the moment, Admitted that an admission opened that stay.
	Open, Admitted bool
	// Left is set if no stay is open and the patient left: the leaving that ended the last stay,
	// else the newest one up to that date. Without a leaving on record it is nil.
	Left *Leaving
}

// At returns where the patient belongs at a moment.
func (s *Stays) At(t time.Time) Moment {
	var ended *Stay
	for i, o := range slices.Backward(s.list) {
		switch d := s.day(o.Facility, t); {
		case o.Has(d):
			return Moment{Facility: o.Facility, Open: true, Admitted: o.Admitted}
		case ended == nil && o.To <= d:
			ended = &s.list[i]
		}
	}
	m := Moment{Left: s.left(t, ended)}
	switch {
	case ended != nil:
		m.Facility = ended.Facility
	default:
		if m.Facility = newest(s.stated, t); m.Facility == "" {
			m.Facility = newest(s.told, t)
		}
	}
	return m
}

// left returns the leaving that ended a stay, else the newest up to the date.
func (s *Stays) left(t time.Time, ended *Stay) *Leaving {
	var out *Leaving
	for i := range slices.Backward(s.leavings) {
		l := &s.leavings[i]
		if l.Day > s.day(l.Facility, t) {
			continue
		}
		if ended != nil && l.Facility == ended.Facility && l.Day == ended.To {
			return l
		}
		if out == nil {
			out = l
		}
	}
	return out
}

// newest returns the facility of the newest fact up to a moment; empty if there is none.
func newest(list []place, t time.Time) string {
	for _, p := range slices.Backward(list) {
		if !p.at.After(t) {
			return p.facility
		}
	}
	return ""
}
