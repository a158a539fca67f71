package surveil

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"cannulary/internal/surveil/incidence"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Level is the confidence of every limit that is shown: 95 %.
const Level = 0.95

// Patient is a person under the surviving patient key.
type Patient struct {
	Key string
	Person
}

// Unit is what is known of one facility, a dialysis unit.
type Unit struct {
	Facility string
	// People are the patients of whom anything at the facility is known. Their events and stays
	// at other facilities are ignored.
	People   []Patient
	Censuses map[Month]Census
	Calendar Calendar
	// References are the rates that the unit compares itself with.
	References []Reference
	// Since is the day of the earliest treatment on record: nothing earlier is counted.
	Since Day
	// AsOf is the newest day that has begun there: nothing later is counted.
	AsOf Day
}

// Reference is a rate per 100 patient-months that a unit compares its own with.
type Reference struct {
	Technique Technique
	Class     Class
	// Of is the group that the rate was registered for: all fistulas, or the technique itself.
	Of    Group
	Rate  float64
	Basis string
}

// References returns the rates of a registration. A rate of a fistula without a pattern holds
// for both fistula techniques, unless one is given for the technique itself.
func References(list []*cannularyv1.ReferenceRate) []Reference {
	var out, general []Reference
	for _, r := range list {
		ref := Reference{Technique: techniqueOf(r.GetAccessKind()), Class: ClassOf(r.GetInfectionClass()),
			Rate: r.GetPer_100PatientMonths(), Basis: r.GetBasis()}
		if ref.Class == "" {
			continue
		}
		if r.GetAccessKind() != cannularyv1.AccessKind_ACCESS_KIND_FISTULA {
			ref.Of = Group(ref.Technique)
			out = append(out, ref)
			continue
		}
		if r.GetPattern() == cannularyv1.NeedlingPattern_NEEDLING_PATTERN_UNSPECIFIED {
			for _, t := range []Technique{ConstantSite, OtherFistula} {
				ref.Technique, ref.Of = t, Fistula
				general = append(general, ref)
			}
			continue
		}
		ref.Technique = Watched(r.GetPattern())
		ref.Of = Group(ref.Technique)
		out = append(out, ref)
	}
	for _, g := range general {
		if !slices.ContainsFunc(out, func(r Reference) bool { return r.Technique == g.Technique && r.Class == g.Class }) {
			out = append(out, g)
		}
	}
	return out
}

// Census is one month's count as the unit sent it.
type Census struct {
	Fact      string
	Month     Month
	CountedOn []string // YYYY-MM-DD
	// These counts are by technique. FistulaTotal includes ConstantSite.
	FistulaTotal, ConstantSite, Graft, Tunneled, NonTunneled, Other int
}

// CensusOf returns a message's count. It fails if the month is invalid.
func CensusOf(fact string, b *cannularyv1.CensusCounted) (Census, error) {
	m, err := ParseMonth(b.GetMonth())
	return Census{Fact: fact, Month: m, CountedOn: b.GetCountedOn(), FistulaTotal: int(b.GetFistula()),
		ConstantSite: int(b.GetFistulaOfWhichConstantSite()),
		Graft:        int(b.GetGraft()), Tunneled: int(b.GetTunneledCatheter()), NonTunneled: int(b.GetNonTunneledCatheter()),
		Other: int(b.GetOther())}, err
}

// Patients returns the count of a group; ok is false for a group that a census does not count.
func (c Census) Patients(g Group) (n int, ok bool) {
	switch g {
	case AllAccess:
		return c.FistulaTotal + c.Graft + c.Tunneled + c.NonTunneled + c.Other, true
	case Fistula:
		return c.FistulaTotal, true
	case Group(ConstantSite):
		return c.ConstantSite, true
	case Group(OtherFistula):
		return c.FistulaTotal - c.ConstantSite, true
	case Group(Graft):
		return c.Graft, true
	case Group(TunneledCatheter):
		return c.Tunneled, true
	case Group(NonTunneledCatheter):
		return c.NonTunneled, true
	case Group(OtherAccess):
		return c.Other, true
	}
	return 0, false
}

// Period is whole months, both included.
type Period struct{ From, To Month }

// Year returns the twelve months that end with m.
func Year(m Month) Period { return Period{m - 11, m} }

// One returns a single month.
func One(m Month) Period { return Period{m, m} }

func (p Period) String() string {
	if p.From == p.To {
		return p.From.String()
	}
	return p.From.String() + " to " + p.To.String()
}

// AccessDays returns the days of exposure of a group in a period, up to AsOf.
func (u *Unit) AccessDays(g Group, p Period) int {
	to := min(p.To.Last(), u.AsOf) + 1
	n := 0
	for i := range u.People {
		for _, e := range u.People[i].Exposures {
			if e.Facility == u.Facility && g.Has(e.Technique) {
				n += e.Days(max(p.From.First(), u.Since), to)
			}
		}
	}
	return n
}

// Case is an event with its patient.
type Case struct {
	Patient string
	Event
}

// Cases returns the events of a class and group from one day to another, both included, by day,
// patient and fact.
func (u *Unit) Cases(c Class, g Group, from, to Day) []Case {
	return u.cases(from, to, func(e *Event) bool { return e.Is(c) && g.Has(e.Technique) })
}

func (u *Unit) cases(from, to Day, is func(*Event) bool) []Case {
	var out []Case
	for i := range u.People {
		for k := range u.People[i].Events {
			e := &u.People[i].Events[k]
			if e.Facility == u.Facility && max(from, u.Since) <= e.Day && e.Day <= to && is(e) {
				out = append(out, Case{u.People[i].Key, *e})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Case) int {
		if a.Day != b.Day {
			return int(a.Day - b.Day)
		}
		return strings.Compare(a.Patient+" "+a.Fact, b.Patient+" "+b.Fact)
	})
	return out
}

// Doubtful returns what does not count, or counts in doubt, in a period. Each says why.
func (u *Unit) Doubtful(p Period) []Case {
	return u.cases(p.From.First(), min(p.To.Last(), u.AsOf), func(e *Event) bool { return e.Why != "" || e.Outside })
}

// Line is one class of infection in one group and period.
type Line struct {
	Period Period
	Group  Group
	Class  Class
	Events int
	// PatientMonths is the denominator of the census method, PerHundred the rate by it. Both are
	// missing if NoCensus says why.
	PatientMonths int
	PerHundred    *incidence.Rate
	NoCensus      string
	// AccessDays is the exact denominator, PerThousand the rate per 1,000 access-days; nil if
	// nobody was at risk.
	AccessDays  int
	PerThousand *incidence.Rate
	// SIR compares with what the references predict for the census. NoSIR says why there is
	// none.
	SIR   *incidence.SIR
	NoSIR string
}

// Counts returns a line without its rates, whose limits take time to compute.
func (u *Unit) Counts(c Class, g Group, p Period) Line {
	l := Line{Period: p, Group: g, Class: c, Events: len(u.Cases(c, g, p.From.First(), min(p.To.Last(), u.AsOf))),
		AccessDays: u.AccessDays(g, p)}
	l.PatientMonths, l.NoCensus = u.census(g, p)
	return l
}

// Line returns a line with its rates.
func (u *Unit) Line(c Class, g Group, p Period) (Line, error) {
	l := u.Counts(c, g, p)
	var err error
	if l.AccessDays > 0 {
		r, err := incidence.RateOf(l.Events, float64(l.AccessDays), 1000, Level)
		if err != nil {
			return l, err
		}
		l.PerThousand = &r
	}
	if l.NoCensus == "" {
		r, err := incidence.RateOf(l.Events, float64(l.PatientMonths), 100, Level)
		if err != nil {
			return l, err
		}
		l.PerHundred = &r
	}
	l.SIR, l.NoSIR, err = u.sir(&l)
	return l, err
}

// Over reports that the month's last day has ended at the facility. Only then are its figures
// those of the month. AsOf itself is a day that has begun and may still bring events.
func (u *Unit) Over(m Month) bool { return m.Last() < u.AsOf }

// CensusNobody says why there is no rate if a census counts nobody.
const CensusNobody = "the census counts nobody"

// census adds up the months of a period. Numerator and denominator must be of the same period.
// So there is no denominator if a month has no census or is not over.
func (u *Unit) census(g Group, p Period) (n int, why string) {
	if !u.Over(p.To) {
		return 0, p.To.String() + " is not over yet"
	}
	for m := p.From; m <= p.To; m++ {
		if !u.whole(m) {
			return 0, fmt.Sprintf("the record begins on %s, and a census of %s is of the whole month", u.Since, m)
		}
	}
	var missing []string
	for m := p.From; m <= p.To; m++ {
		c, ok := u.Censuses[m]
		if !ok {
			missing = append(missing, m.String())
			continue
		}
		k, told := c.Patients(g)
		if !told {
			return 0, "a census does not count this group"
		}
		n += k
	}
	if len(missing) > 0 {
		return 0, "no census for " + strings.Join(missing, ", ")
	}
	if n == 0 {
		return 0, CensusNobody
	}
	return n, ""
}

// whole reports whether all of a month is on record: the unit dialysed on none of its days
// before the first treatment on record. Before that treatment no event could be recorded.
func (u *Unit) whole(m Month) bool {
	for d := m.First(); d < min(u.Since, m.Last()+1); d++ {
		if u.Calendar.Works(d) {
			return false
		}
	}
	return true
}

func (u *Unit) sir(l *Line) (*incidence.SIR, string, error) {
	if l.NoCensus != "" {
		return nil, l.NoCensus, nil
	}
	predicted := 0.0
	for _, t := range Techniques() {
		if !l.Group.Has(t) {
			continue
		}
		n, why := u.census(Group(t), l.Period)
		if why != "" {
			continue // nobody is there, or no census counts the group
		}
		i := slices.IndexFunc(u.References, func(r Reference) bool { return r.Technique == t && r.Class == l.Class })
		if i < 0 {
			return nil, "no reference rate is registered for " + string(t), nil
		}
		predicted += float64(n) * u.References[i].Rate / 100
	}
	s, err := incidence.ObservedToPredicted(l.Events, predicted, Level)
	if errors.Is(err, incidence.ErrFewPredicted) {
		return nil, fmt.Sprintf("only %.2f events predicted; a ratio to fewer than 1 says nothing", predicted), nil
	}
	if err != nil {
		return nil, "", err
	}
	return &s, "", nil
}

// Comparison is constant-site needling against other needling of fistulas.
type Comparison struct {
	Class               Class
	ConstantSite, Other Line
	Ratio               *incidence.Ratio
	Why                 string // why there is no ratio
}

// Compare compares the two by access-days. Both denominators are then exactly the days in which
// the events could occur.
func (u *Unit) Compare(c Class, p Period) (Comparison, error) {
	out := Comparison{Class: c}
	var err error
	if out.ConstantSite, err = u.Line(c, Group(ConstantSite), p); err != nil {
		return out, err
	}
	if out.Other, err = u.Line(c, Group(OtherFistula), p); err != nil {
		return out, err
	}
	switch {
	case out.ConstantSite.AccessDays == 0:
		out.Why = "nobody was needled at constant sites"
	case out.Other.AccessDays == 0:
		out.Why = "every fistula was needled at constant sites"
	case out.ConstantSite.Events+out.Other.Events == 0:
		out.Why = "there was no event in either group"
	default:
		r, err := incidence.RateRatio(incidence.Group{Events: out.ConstantSite.Events, Exposure: float64(out.ConstantSite.AccessDays)},
			incidence.Group{Events: out.Other.Events, Exposure: float64(out.Other.AccessDays)}, Level)
		if err != nil {
			return out, err
		}
		out.Ratio = &r
	}
	return out, nil
}

// Disagreement is a group and a month whose two denominators differ too much.
type Disagreement struct {
	Month  Month
	Group  Group
	Census int
	Record int // patients on record there on the days of the census
}

// Disagreements compares the census of a month that is over and wholly on record with the record
// of the same days. They disagree if they differ by more than 10 % of the greater and by more
// than two patients (ours).
func (u *Unit) Disagreements(m Month) []Disagreement {
	c, ok := u.Censuses[m]
	if !ok || !u.Over(m) || !u.whole(m) {
		return nil
	}
	on := u.OnRecord(c)
	var out []Disagreement
	for _, g := range Groups() {
		n, told := c.Patients(g)
		if !told {
			continue
		}
		record := 0
		for _, t := range on {
			if g.Has(t) {
				record++
			}
		}
		if apart := max(n, record) - min(n, record); apart > 2 && 10*apart > max(n, record) {
			out = append(out, Disagreement{m, g, n, record})
		}
	}
	return out
}

// OnRecord returns the technique of each patient who had a stay there on a day of the census, by
// the latest of its days. A complete census counts these patients, except for those who were not
// treated. A census without a readable day is taken as of the first two working days.
func (u *Unit) OnRecord(c Census) []Technique {
	var days []Day
	for _, s := range c.CountedOn {
		if d, err := ParseDay(s); err == nil {
			days = append(days, d)
		}
	}
	if len(days) == 0 {
		days = u.Calendar.CensusDays(c.Month)
	}
	var out []Technique
	for i := range u.People {
		latest, technique := First, Technique("")
		for _, d := range days {
			for _, e := range u.People[i].Exposures {
				if e.Facility == u.Facility && e.From <= d && d < e.To && d > latest {
					latest, technique = d, e.Technique
				}
			}
		}
		if latest > First {
			out = append(out, technique)
		}
	}
	return out
}

// Cultures returns the numbers of blood cultures with a result in a period, up to AsOf.
func (u *Unit) Cultures(p Period) (positive, negative int) {
	for i := range u.People {
		for _, c := range u.People[i].Cultures {
			switch {
			case c.Facility != u.Facility || c.Day < max(p.From.First(), u.Since) || c.Day > min(p.To.Last(), u.AsOf):
			case c.Positive:
				positive++
			default:
				negative++
			}
		}
	}
	return positive, negative
}

// LastCulture returns the day on which the newest blood culture with a result was collected,
// from Since up to AsOf; ok is false if there is none.
func (u *Unit) LastCulture() (d Day, ok bool) {
	for i := range u.People {
		for _, c := range u.People[i].Cultures {
			if c.Facility == u.Facility && c.Day >= u.Since && c.Day <= u.AsOf && (!ok || c.Day > d) {
				d, ok = c.Day, true
			}
		}
	}
	return d, ok
}

// CensusNotice says if a census was not counted on the first two working days; empty if it was.
func (u *Unit) CensusNotice(m Month) string {
	c, ok := u.Censuses[m]
	if !ok {
		return ""
	}
	var want []string
	for _, d := range u.Calendar.CensusDays(m) {
		want = append(want, d.String())
	}
	got := slices.Sorted(slices.Values(c.CountedOn))
	if slices.Equal(want, got) {
		return ""
	}
	return fmt.Sprintf("The census of %s was counted on %s; the first two working days were %s.", m, strings.Join(got, " and "),
		strings.Join(want, " and "))
}

// Last returns the day of the newest event of a class and group up to AsOf; ok is false if there
// is none.
func (u *Unit) Last(c Class, g Group) (d Day, ok bool) {
	list := u.Cases(c, g, First, u.AsOf)
	if len(list) == 0 {
		return 0, false
	}
	return list[len(list)-1].Day, true
}
