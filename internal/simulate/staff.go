package simulate

import (
	"fmt"

	v1 "cannulary/proto/cannulary/v1"
)

// Sizes of a unit's staff.
const (
	creators     = 4 // rated to create a track
	independents = 6 // rated to follow one
	supervised   = 2 // needle under supervision
)

// cannulator is a member of staff who needles.
type cannulator struct {
	id     *v1.StaffIdentifier
	level  v1.CannulatorLevel
	rated  int  // day of the latest rating, negative before the start
	lapses bool // is not rated again
}

// staff are the invented unit's people; they are numbers, never names.
type staff struct {
	cannulators             []*cannulator
	lead, access, physician *v1.StaffIdentifier
}

func staffID(kind string, n int) *v1.StaffIdentifier {
	return &v1.StaffIdentifier{System: systemStaff, Value: fmt.Sprintf("%s-%02d", kind, n)}
}

func newStaff(seed uint64, unit int) staff {
	c := newChance(seed, streamUnit, uint64(unit))
	st := staff{lead: staffID("CN", unit+1), access: staffID("VN", unit+1), physician: staffID("MD", unit+1)}
	for i := range creators + independents + supervised {
		level := v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR
		switch {
		case i >= creators+independents:
			level = v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED
		case i >= creators:
			level = v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT
		}
		st.cannulators = append(st.cannulators, &cannulator{
			id:    staffID("RN", unit*(creators+independents+supervised)+i+1),
			level: level,
			rated: -c.between(5, 340),
			// One creator's and one follower's rating lapses: the record must say so.
			lapses: i == creators-1 || i == creators+2,
		})
	}
	return st
}

// rateAtStart reports the ratings in force when the record begins.
func (u *unit) rateAtStart() {
	for i, c := range u.staff.cannulators {
		u.rate(c, header{at: u.local(c.rated, 12, 0), day: true, by: u.staff.lead, sent: u.local(0, 0, 10+i)})
	}
}

// rateAgain rates those whose year is nearly over.
func (u *unit) rateAgain(day int) {
	for i, c := range u.staff.cannulators {
		if !c.lapses && day-c.rated >= 350+i && u.working(day) {
			c.rated = day
			if c.level == v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED {
				c.level = v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT
			}
			u.rate(c, header{at: u.local(day, 13, 10+i), by: u.staff.lead})
		}
	}
}

func (u *unit) rate(c *cannulator, h header) {
	u.roster(nil, h, cannulatorRatedFact(&v1.CannulatorRated{
		Cannulator: c.id, Level: c.level, Assessor: u.staff.access,
		Evidence: "Three observed sessions, unit checklist.",
	}))
}

// creatorFor gives a patient the creator, and the deputy, of tracks.
func (s staff) creatorFor(slot int) (creator, deputy *v1.StaffIdentifier) {
	return s.cannulators[slot%(creators-1)].id, s.cannulators[creators+slot%2].id
}

// follower is the cannulator of a routine session.
func (s staff) follower(c chance) *v1.StaffIdentifier {
	return s.cannulators[c.IntN(creators+independents)].id
}

// unlisted is a cannulator who is nobody's creator or deputy.
func (s staff) unlisted(c chance) *v1.StaffIdentifier {
	return s.cannulators[creators+3+c.IntN(independents-3)].id
}
