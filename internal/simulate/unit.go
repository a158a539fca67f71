package simulate

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cannulary/internal/record/zone"
	"cannulary/internal/surveil/incidence"
	v1 "cannulary/proto/cannulary/v1"
)

// shift is a period in which the unit dialyses, in minutes after local midnight.
type shift struct {
	name       string
	start, end int
}

func shifts() []shift {
	return []shift{{"morning", 7 * 60, 12 * 60}, {"afternoon", 12*60 + 30, 17*60 + 30}, {"evening", 17*60 + 45, 23 * 60}}
}

// unit is one invented dialysis unit.
type unit struct {
	s        Scenario
	no       int
	letters  string
	source   string
	facility string
	town     string
	loc      *time.Location
	first    time.Time // first simulated date, midnight UTC
	days     int       // simulated days

	pegs      bool
	secondOn  int // day on which the second protocol comes into force; -1: none
	closed    map[string]bool
	holidays  []string
	staff     staff
	slots     []*slot
	threshold int // day of the acknowledgement of a signal

	today       []*draft
	counter     int
	identifying []string
	highlights  []Highlight

	censusDays []int

	partner   *unit // whose patients come as guests, and move here; nil: none
	transfers []*patient
}

// newUnit lays out unit no. Errors: its time zone is not known on this host.
func newUnit(s Scenario, no int) (*unit, error) {
	towns := places()
	at := towns[no%len(towns)]
	loc, err := zone.Load(at.zone)
	if err != nil {
		return nil, fmt.Errorf("simulate: unit %d: %w: rebuild with the time zone database", no, err)
	}
	u := &unit{
		s: s, no: no, letters: unitLetters(no), loc: loc, town: at.town, first: s.FirstDate(),
		pegs: no%2 == 0, secondOn: -1, closed: map[string]bool{},
	}
	u.facility = "unit-" + strings.ReplaceAll(strings.ToLower(at.town), " ", "-")
	if round := no / len(towns); round > 0 {
		u.town = fmt.Sprintf("%s %d", at.town, round+1)
		u.facility = fmt.Sprintf("%s-%d", u.facility, round+1)
	}
	u.source = "engine-" + strings.ToLower(u.letters) + "-" + s.mark()
	u.days = int(s.lastDate().Sub(u.first).Hours()/24) + 1
	if s.Months >= 3 {
		u.secondOn = u.days * 6 / 10
	}
	u.threshold = u.days * 9 / 10
	for y := u.first.Year(); y <= s.Until.Year(); y++ {
		for _, md := range []string{"01-01", "05-01", "12-25"} {
			date := fmt.Sprintf("%d-%s", y, md)
			u.holidays = append(u.holidays, date)
			u.closed[date] = true
		}
	}
	u.staff = newStaff(s.Seed, no)
	for i := range s.Patients {
		u.slots = append(u.slots, newSlot(u, i))
	}
	return u, nil
}

// date is the local date of a simulated day, YYYY-MM-DD; negative days lie before the start.
func (u *unit) date(day int) string { return u.first.AddDate(0, 0, day).Format(time.DateOnly) }

// weekday is the ISO weekday of a simulated day, 1 (Monday) to 7.
func (u *unit) weekday(day int) v1.Weekday {
	return v1.Weekday((int(u.first.AddDate(0, 0, day).Weekday())+6)%7 + 1)
}

// local is the instant of a local time of day; daylight saving is the time zone's.
func (u *unit) local(day, hour, minute int) time.Time {
	d := u.first.AddDate(0, 0, day)
	return time.Date(d.Year(), d.Month(), d.Day(), hour, minute, 0, 0, u.loc)
}

// working says whether the unit dialyses on that day.
func (u *unit) working(day int) bool {
	return u.weekday(day) != v1.Weekday_WEEKDAY_SUNDAY && !u.closed[u.date(day)]
}

// formingTarget is the protocol's number of sharp sessions in force on that day. Every other
// unit asks for eight; the rest for seven, and in the end for six.
func (u *unit) formingTarget(day int) int {
	switch {
	case u.no%2 == 1:
		return 8
	case u.secondOn >= 0 && day >= u.secondOn:
		return 6
	}
	return 7
}

// register posts the unit and its first protocol, before any other message.
func (u *unit) register() {
	sent := u.local(-2, 12, 0)
	var list []*v1.Shift
	for _, s := range shifts() {
		list = append(list, &v1.Shift{Name: s.name, StartsAt: clock(s.start), EndsAt: clock(s.end)})
	}
	rate := func(kind v1.AccessKind, whose string, per100 float64) *v1.ReferenceRate {
		return &v1.ReferenceRate{
			AccessKind: kind, InfectionClass: v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM, Per_100PatientMonths: per100,
			Basis: "bloodstream infections of all " + whose +
				" of one country in 2014 (Nguyen and others, CJASN 2017;12:1139, read in a news report)",
		}
	}
	// Of all bloodstream infections 76.5 % were access-related (22,576 of 29,516).
	related := rate(v1.AccessKind_ACCESS_KIND_FISTULA, "fistulas", usualRate)
	related.InfectionClass = v1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM
	related.Basis = "76.5 %, a share of all accesses, of 0.26: " + related.Basis
	u.roster(nil, header{at: u.local(-3, 9, 0), by: u.staff.lead, sent: sent}, facilityRegisteredFact(&v1.FacilityRegistered{
		Name:         fmt.Sprintf("Unit %s (invented)", u.town),
		TimeZone:     u.loc.String(),
		DialysisDays: []v1.Weekday{1, 2, 3, 4, 5, 6},
		Shifts:       list,
		Holidays:     slices.Clone(u.holidays),
		ReferenceRates: []*v1.ReferenceRate{
			rate(v1.AccessKind_ACCESS_KIND_FISTULA, "fistulas", 0.26),
			rate(v1.AccessKind_ACCESS_KIND_GRAFT, "grafts", 0.39),
			rate(v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, "catheters", 2.16),
			related,
		},
	}))
	u.roster(nil, header{at: u.local(-2, 9, 0), by: u.staff.lead, sent: sent}, protocolAdoptedFact(&v1.ProtocolAdopted{
		Version: "needling-1", EffectiveFrom: u.date(-2), Protocol: u.protocol(0),
	}))
}

// protocol is the protocol of a day, without what only the second one says.
func (u *unit) protocol(day int) *v1.Protocol {
	sharp := uint32(u.formingTarget(day))
	return &v1.Protocol{
		FormingSessionsTarget:   new(sharp),
		UsesPegs:                new(u.pegs),
		VenousPressureLimitMmhg: new(150.0),
		Antiseptics: []v1.Antiseptic{v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL,
			v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE},
		DisinfectionsMin:          new(uint32(2)),
		RatingValidMonths:         new(uint32(12)),
		TipDistanceMinMillimetres: new(uint32(60)),
		TipDistanceMaxMillimetres: new(uint32(80)),
	}
}

func clock(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// step simulates one day: the unit's own business, then each patient in turn.
func (u *unit) step(day int) {
	if day == 0 {
		u.rateAtStart()
		u.setThreshold()
	}
	u.rateAgain(day)
	if day == u.secondOn-5 && u.secondOn >= 5 {
		second := u.protocol(u.secondOn)
		second.TopicalProphylaxis = new(true)
		u.roster(nil, header{at: u.local(day, 10, 0), by: u.staff.lead}, protocolAdoptedFact(&v1.ProtocolAdopted{
			Version: "needling-2", EffectiveFrom: u.date(u.secondOn), Protocol: second,
		}))
	}
	if day == u.threshold && !u.s.Unanswered {
		u.acknowledge(day)
	}
	u.openCensus(day)
	for _, s := range u.slots {
		s.step(day)
	}
	u.closeCensus(day)
}

// usualRate is the access-related bloodstream infections of fistulas, per 100 patient-months,
// that the unit compares itself with: 76.5 %, a share of all accesses, of 0.26.
const usualRate = 0.2

// setThreshold sets the chart of access-related bloodstream infections of constant-site
// patients, tuned to a tripled rate with a false alarm in ten years at the size that the
// unit has in the end: about half of its patients. That is the invented unit's choice.
func (u *unit) setThreshold() {
	const ratio, months = 3, 120
	d, err := incidence.DesignFor(incidence.Setting{PatientMonths: max(1, float64(u.s.Patients)/2), Rate: usualRate}, ratio, months)
	if err != nil {
		panic(err) // a unit of one patient and more has a threshold; a test walks the sizes
	}
	u.roster(nil, header{at: u.local(0, 6, 40), by: u.staff.lead}, surveillanceThresholdSetFact(&v1.SurveillanceThresholdSet{
		Pattern:                       v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		InfectionClass:                v1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM,
		ReferencePer_100PatientMonths: usualRate, RateRatio: ratio, Threshold: d.H, InControlMonths: months,
		SetBy: u.staff.physician,
	}))
}

func (u *unit) acknowledge(day int) {
	u.roster(nil, header{at: u.local(day, 16, 20), by: u.staff.lead}, surveillanceSignalAcknowledgedFact(&v1.SurveillanceSignalAcknowledged{
		Pattern:        v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		InfectionClass: v1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM,
		AcknowledgedBy: u.staff.physician,
		Reason:         "Scab removal and second disinfection observed in all shifts; refresher held.",
	}))
}

// openCensus finds the month's two counting days when a month begins within the period.
func (u *unit) openCensus(day int) {
	if u.first.AddDate(0, 0, day).Day() != 1 {
		return
	}
	u.censusDays = nil
	for d := day; len(u.censusDays) < 2; d++ {
		if u.working(d) {
			u.censusDays = append(u.censusDays, d)
		}
	}
	for _, s := range u.slots {
		s.counted, s.countedConstant = v1.AccessKind_ACCESS_KIND_UNSPECIFIED, false
	}
}

// closeCensus posts the count at the end of the second counting day.
func (u *unit) closeCensus(day int) {
	if len(u.censusDays) != 2 || day != u.censusDays[1] {
		return
	}
	c := &v1.CensusCounted{
		Month:     u.date(day)[:len("2006-01")],
		CountedOn: []string{u.date(u.censusDays[0]), u.date(u.censusDays[1])},
	}
	for _, s := range u.slots {
		switch s.counted {
		case v1.AccessKind_ACCESS_KIND_FISTULA:
			c.Fistula++
			if s.countedConstant {
				c.FistulaOfWhichConstantSite++
			}
		case v1.AccessKind_ACCESS_KIND_GRAFT:
			c.Graft++
		case v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
			c.TunneledCatheter++
		case v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
			c.NonTunneledCatheter++
		case v1.AccessKind_ACCESS_KIND_OTHER:
			c.Other++
		}
	}
	u.roster(nil, header{at: u.local(day, 12, 0), day: true, by: u.staff.lead, sent: u.local(day, 23, 30)}, censusCountedFact(c))
}
