// Package worklist says who is due at a unit on a date, in which shift and chair, and how the
// patient is needled. It is a pure function of facts and reads no clock. This comment is the specification
// of a work list (all of it ours).
//
//   - A patient belongs to the unit of the stay that holds the date (package stay). Without such a
//     stay, a patient who left belongs to no unit, and any other patient to the unit of the newest
//     plan or roster fact.
//   - The schedule in force is the newest that the patient's unit set. Leaving the unit ends it.
//   - A patient is due on a date if the schedule in force names its weekday. Without a schedule
//     nobody can say, so such a patient is neither due nor not due. A day off of the unit changes
//     nothing here: the unit may move its patients, and nobody must be missing.
//   - A treatment begins with its start or its first needle. All of one date at a unit is one
//     treatment. A start or a needle of the day after belongs to it under the same session reference
//     for 12 hours from its begin. Where one of both has no reference, it belongs to it for 4 hours
//     from a start or a needle of its date. (So package track puts attempts together.)
//   - A patient who is treated at a unit on the date is there, whatever the schedule says.
//   - A shift may end after midnight. Whoever began a treatment on the day before is still there at a
//     moment, as long as no end is recorded and the treatment began less than 12 hours ago (ours). Of a
//     treatment whose time of day is not known nobody can say that.
//   - A patient is in hospital from an admission to the next discharge.
//   - The access in use is that of the latest treatment, else the only one that is not retired. The
//     technique is what that access is, and for a fistula the needling pattern that was recorded
//     last in it.
package worklist

import (
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Person is what a work list needs of one patient. It does not depend on the day of asking.
type Person struct {
	// Identity is a fingerprint of the patient's keys and identity facts.
	Identity string `json:"identity,omitempty"`
	// Facility is where the patient belongs when no stay holds the date; empty for a patient who left.
	Facility string `json:"facility,omitempty"`
	Stays    []Stay `json:"stays,omitempty"`
	// Schedules are the schedules in force, at most one a facility, by facility.
	Schedules []Schedule `json:"schedules,omitempty"`
	// Hospital is the date of the hospital admission that no discharge has ended; 0 is none.
	Hospital zone.Day `json:"hospital,omitempty"`
	// Technique is how the patient is needled, as far as it is recorded.
	Technique Technique `json:"technique,omitempty"`
	// Last is the latest treatment, Missed the latest one that did not take place.
	Last   *Treatment `json:"last,omitempty"`
	Missed *Missed    `json:"missed,omitempty"`
}

// Stay is a range of local dates at one facility: From is in it, To is not.
type Stay struct {
	Facility string   `json:"facility"`
	From     zone.Day `json:"from"`
	To       zone.Day `json:"to"`
}

// Schedule is when a patient is dialysed at a facility.
type Schedule struct {
	Facility string                `json:"facility"`
	Days     []cannularyv1.Weekday `json:"days"`
	Shift    string                `json:"shift,omitempty"`
	Chair    string                `json:"chair,omitempty"`
}

// Treatment is one treatment that took place.
type Treatment struct {
	Facility string    `json:"facility"`
	Day      zone.Day  `json:"day"`
	Began    time.Time `json:"began"`
	// Timed tells that the time of day is known, not the day alone.
	Timed   bool     `json:"timed,omitempty"`
	Ended   bool     `json:"ended,omitempty"`
	Needles []Needle `json:"needles,omitempty"` // the used ones, by role
}

// Needle is the needle that was used last in a role.
type Needle struct {
	Role  cannularyv1.NeedleRole `json:"role"`
	Tip   cannularyv1.NeedleTip  `json:"tip,omitempty"`
	Gauge uint32                 `json:"gauge,omitempty"` // 0 where it is not recorded
}

// Missed is a treatment that did not take place.
type Missed struct {
	Facility string                   `json:"facility"`
	Day      zone.Day                 `json:"day"`
	Reason   cannularyv1.MissedReason `json:"reason,omitempty"`
}

// Technique is how a patient is needled.
type Technique string

// The techniques. Fistula is one whose pattern is not recorded.
const (
	ConstantSite Technique = "constant-site"
	RopeLadder   Technique = "rope-ladder"
	AreaPuncture Technique = "area-puncture"
	Fistula      Technique = "fistula"
	Graft        Technique = "graft"
	Catheter     Technique = "catheter"
	Other        Technique = "other"
)

// Place is a patient's place at a facility on a date.
type Place struct {
	Here      bool // the patient belongs to the facility
	Scheduled bool // a schedule is in force
	Due       bool // the schedule names the weekday
	Shift     string
	Chair     string
	Today     *Treatment // of that date at the facility
	Overnight *Treatment // of the day before, where it still runs at the moment asked for
	Missed    *Missed    // likewise
	Hospital  zone.Day   // since when the patient is in hospital, 0 if not
}

const (
	// overnight is how long after its begin a treatment of the day before is taken to run, if no end is recorded.
	overnight = 12 * time.Hour
	// acrossMidnight is how long after a needle of its date a needle of the day after belongs to a treatment.
	acrossMidnight = 4 * time.Hour
)

// At returns the patient's place at a facility at a moment: that on the local date there, with a
// treatment that began before midnight and still runs.
func (p *Person) At(facility string, t time.Time, z *time.Location) Place {
	d := zone.DayOf(t, z)
	out := p.On(facility, d)
	if l := p.Last; l != nil && l.Facility == facility && l.Day == d-1 && l.Timed && !l.Ended && t.Sub(l.Began) < overnight {
		out.Overnight = l
	}
	return out
}

// On returns the patient's place at a facility on a local date there, whatever the time of day.
func (p *Person) On(facility string, d zone.Day) Place {
	out := Place{Here: p.home(d) == facility}
	if out.Here {
		for _, s := range p.Schedules {
			if s.Facility == facility {
				out.Scheduled, out.Shift, out.Chair = true, s.Shift, s.Chair
				out.Due = slices.Contains(s.Days, weekday(d))
			}
		}
		if p.Hospital != 0 && p.Hospital <= d {
			out.Hospital = p.Hospital
		}
	}
	if p.Last != nil && p.Last.Facility == facility && p.Last.Day == d {
		out.Today = p.Last
	}
	if p.Missed != nil && p.Missed.Facility == facility && p.Missed.Day == d {
		out.Missed = p.Missed
	}
	return out
}

// home is the facility to which the patient belongs on a date; empty for none.
func (p *Person) home(d zone.Day) string {
	for _, s := range p.Stays {
		if s.From <= d && d < s.To {
			return s.Facility
		}
	}
	return p.Facility
}

// weekday of a date: Monday is 1, as in the schema.
func weekday(d zone.Day) cannularyv1.Weekday {
	return cannularyv1.Weekday((int(d.Time().Weekday())+6)%7 + 1)
}

// far is later than every moment of a record.
func far() time.Time { return time.Date(9000, 1, 1, 0, 0, 0, 0, time.UTC) }

// Fold returns the person whom the facts of one patient make, of all merged identities, after
// corrections and voids, in the order of record.Before, and a Memo that takes further facts in.
func Fold(items []record.Item, zones func(facility string) *time.Location) (Person, *Memo) {
	m := &Memo{zones: zones, stays: stay.New(zones), accesses: map[string]*access{}, schedules: map[string]Schedule{}}
	for i := range items {
		if !items[i].Void {
			m.add(&items[i].Fact)
		}
	}
	m.identity = identity(items)
	return m.person(), m
}
