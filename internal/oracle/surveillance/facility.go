package surveillance

import (
	"sort"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Ward is what is looked at of one facility at one moment.
type Ward struct {
	Facility string
	// Patients are those with any fact anywhere, each with all merged identities together.
	Patients []Patient
	// Items are the facts about the facility itself, after corrections and voids.
	Items []record.Item
	Zone  func(facility string) *time.Location
	// AsOf is the newest date that has begun there.
	AsOf string
	// Mutant is a deliberate misreading.
	Mutant Mutant
}

// Patient is one of them under the key that survives.
type Patient struct {
	Key    string
	Answer Answer
	// Treated is the date of the earliest treatment at the facility; empty for none.
	Treated string
}

// Treated looks for the date of the earliest treatment of a patient at a facility.
// Reading: a treatment is one that was begun, or in which a needle was placed.
func Treated(in Input, facility string) string {
	first := ""
	w := &world{in: in}
	for i := range in.Items {
		f := &in.Items[i].Fact
		if in.Items[i].Void || f.Facility != facility {
			continue
		}
		switch f.Body.(type) {
		case *cannularyv1.SessionStarted, *cannularyv1.NeedleInserted:
			if d := w.date(f); first == "" || d < first {
				first = d
			}
		}
	}
	return first
}

// Case is an event with whose it is.
type Case struct {
	Patient string
	Event
}

// techniques are all that there are; a census tells all but the last.
var techniques = []string{"constant-site", "other-fistula", "graft", "tunneled-catheter", "non-tunneled-catheter",
	"other-access", "unknown"}

// within reports whether a technique belongs to a group.
func within(technique, group string) bool {
	switch group {
	case "all":
		return true
	case "fistula":
		return technique == "constant-site" || technique == "other-fistula"
	}
	return technique == group
}

// unit is a facility day by day.
type unit struct {
	Ward
	since string                    // empty until a treatment is on record
	here  map[string]map[string]int // date → technique → patients, from since to AsOf
	cases []Case                    // at the facility, from since to AsOf, by date, patient, fact
	// What the facility told.
	days     map[time.Weekday]bool
	closed   map[string]bool
	rates    []*cannularyv1.ReferenceRate
	censuses map[string]*cannularyv1.CensusCounted
	limits   map[Chart][]limit // each chart's one after another; the last stands
	answers  []answer
}

func (u *unit) is(m Mutant) bool { return u.Mutant == m }

// see looks at a facility.
func see(w Ward) *unit {
	u := &unit{Ward: w, here: map[string]map[string]int{}}
	for _, p := range w.Patients {
		if p.Treated != "" && (u.since == "" || p.Treated < u.since) {
			u.since = p.Treated
		}
	}
	if u.is(BeforeTheRecord) {
		u.since = ""
	}
	for _, p := range w.Patients {
		for _, d := range p.Answer.Days {
			u.dwell(d)
		}
		// A stay that goes on does so beyond the last date that was mentioned.
		if n := len(p.Answer.Days); n > 0 && p.Answer.Open != "" {
			for d := later(p.Answer.Days[n-1].Date, 1); d <= u.AsOf; d = later(d, 1) {
				u.dwell(Day{d, p.Answer.Open, p.Answer.Technique})
			}
		}
		for _, e := range p.Answer.Events {
			if (e.Facility == u.Facility || u.is(Anywhere)) && u.counts(e.Date) {
				u.cases = append(u.cases, Case{p.Key, e})
			}
		}
	}
	sort.SliceStable(u.cases, func(i, j int) bool {
		a, b := u.cases[i], u.cases[j]
		if a.Date != b.Date {
			return a.Date < b.Date
		}
		if a.Patient != b.Patient {
			return a.Patient < b.Patient
		}
		return a.Fact < b.Fact
	})
	u.told()
	return u
}

// counts reports whether a date is looked at at all.
func (u *unit) counts(date string) bool {
	return date >= u.since && (date <= u.AsOf || u.is(TomorrowCounts) && date == later(u.AsOf, 1))
}

func (u *unit) dwell(d Day) {
	if d.Facility != u.Facility || !u.counts(d.Date) {
		return
	}
	if u.here[d.Date] == nil {
		u.here[d.Date] = map[string]int{}
	}
	u.here[d.Date][d.Technique]++
}

// through reports what a patient was dialysed through there on a date; false without a stay.
// Settled: it may be one of before the record, as it may be in the census.
func (u *unit) through(p Patient, date string) (technique string, ok bool) {
	last := ""
	for _, d := range p.Answer.Days {
		if last = d.Date; d.Date == date {
			return d.Technique, d.Facility == u.Facility
		}
	}
	return p.Answer.Technique, last != "" && date > last && p.Answer.Open == u.Facility
}

// told reads what the facility said of itself; of several messages the latest stands.
func (u *unit) told() {
	u.censuses, u.limits = map[string]*cannularyv1.CensusCounted{}, map[Chart][]limit{}
	items := append([]record.Item{}, u.Items...)
	record.Sort(items)
	w := &world{in: Input{Zone: u.Zone}}
	if u.is(DatesAreUTC) {
		w.in.Zone = nil
	}
	for i := range items {
		f := &items[i].Fact
		if items[i].Void || f.Facility != u.Facility {
			continue
		}
		switch b := f.Body.(type) {
		case *cannularyv1.FacilityRegistered:
			u.days, u.closed, u.rates = map[time.Weekday]bool{}, map[string]bool{}, b.GetReferenceRates()
			for _, d := range b.GetDialysisDays() {
				u.days[time.Weekday(int(d)%7)] = true
			}
			for _, d := range b.GetHolidays() {
				u.closed[d] = true
			}
		case *cannularyv1.CensusCounted:
			if u.is(FirstCensusStands) && u.censuses[b.GetMonth()] != nil {
				continue
			}
			u.censuses[b.GetMonth()] = b
		case *cannularyv1.SurveillanceThresholdSet:
			n := chartOf(b.GetPattern(), b.GetInfectionClass())
			begins := w.date(f)
			if old := u.limits[n]; len(old) > 0 && u.is(NewLimitOldSum) {
				begins = old[0].begins
			}
			u.limits[n] = append(u.limits[n], limit{fact: f.ID, seq: f.Seq, begins: begins, says: b})
		case *cannularyv1.SurveillanceSignalAcknowledged:
			u.answers = append(u.answers,
				answer{fact: f.ID, seq: f.Seq, date: w.date(f), chart: chartOf(b.GetPattern(), b.GetInfectionClass())})
		}
	}
}

// list are the events of a class and group from one date to another, both included.
func (u *unit) list(class, group, from, to string) []Case {
	var out []Case
	for _, c := range u.cases {
		if c.Date >= from && c.Date <= to && within(c.Technique, group) && u.belongs(c.Event, class) {
			out = append(out, c)
		}
	}
	return out
}

// belongs reports whether an event is one of a class.
func (u *unit) belongs(e Event, class string) bool {
	if !e.Counted && !u.is(UncountedCount) {
		return false
	}
	switch class {
	case "bloodstream":
		return e.Kind == "blood-culture"
	case "access-related":
		if u.is(UncertainIsElsewhere) && cannularyv1.SuspectedSource(e.Source) != cannularyv1.SuspectedSource_SUSPECTED_SOURCE_ACCESS {
			return false
		}
		return accessRelated(e)
	case "local-access":
		return e.Kind == "site-signs" && (!e.Related || u.is(NearIsLocalToo))
	}
	return e.Kind == "antimicrobial-course"
}

// patientDays counts the access-days of a group from one date to another, both included.
func (u *unit) patientDays(group, from, to string) int {
	n := 0
	for d, here := range u.here {
		if d < from || d > to {
			continue
		}
		for technique, patients := range here {
			if within(technique, group) {
				n += patients
			}
		}
	}
	return n
}

// works reports whether the unit dialyses on a date.
// Reading: a unit that told no days does so every day.
func (u *unit) works(date string) bool {
	t, _ := time.Parse(time.DateOnly, date)
	return (u.days[t.Weekday()] || len(u.days) == 0 || u.is(EveryDayWorks)) && (!u.closed[date] || u.is(HolidaysWork))
}

// workingDays are the first two of a month.
func (u *unit) workingDays(month string) []string {
	out := []string{}
	for d := month + "-01"; d <= lastOf(month) && len(out) < 2; d = later(d, 1) {
		if u.works(d) {
			out = append(out, d)
		}
	}
	return out
}

// lastOf is a month's last date.
func lastOf(month string) string { return later(further(month, 1)+"-01", -1) }

// further is the month so many months on.
func further(month string, n int) string {
	t, _ := time.Parse("2006-01", month)
	return t.AddDate(0, n, 0).Format("2006-01")
}
