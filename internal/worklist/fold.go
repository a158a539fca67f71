package worklist

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Memo is a fold that can go on.
type Memo struct {
	zones     func(facility string) *time.Location
	stays     *stay.Stays
	schedules map[string]Schedule // by facility
	accesses  map[string]*access
	names     []string  // of the accesses, in the order of first mention
	used      string    // access of the latest treatment
	usedAt    time.Time // when it was named
	hospital  zone.Day
	last      *Treatment
	reference string    // of the latest treatment's session; empty for none
	latest    time.Time // of what began or needled it on its date
	// active is the date of what began or needled a treatment last. On the date apart, at the moment apartAt, a treatment began
	// after a day without any. No fact before that day changes a treatment from then on.
	active, apart zone.Day
	apartAt       time.Time
	missed        *Missed
	identity      string
	newest        record.Fact // the last one in order of those that were folded
}

type access struct {
	kind    cannularyv1.AccessKind
	pattern cannularyv1.NeedlingPattern // recorded last, at seen
	seen    time.Time
	retired bool
}

// Add takes in a plain fact of the patient, which stands and corrects nothing. It returns false
// where the fact has to be folded with all others: it comes before one of them in order and may change something, or
// it states who the patient is. The memo is of no use any more then.
func (m *Memo) Add(f *record.Fact) bool {
	if !looksAt(f) {
		// It may still say where the patient is treated, of whom no stay says it.
		return len(m.stays.List()) > 0 || m.stays.At(far()).Facility == f.Facility
	}
	if _, ok := f.Body.(*logv1.IdentitySealed); ok {
		return false
	}
	if m.newest.ID != "" && !record.Before(&m.newest, f) {
		return m.late(f)
	}
	m.add(f)
	return true
}

// late reports whether a fact that comes before others in order changes nothing. Most late ones change nothing: a day without
// treatment came after them; they fall into a stay that an admission opened at their facility; and what they record of the access
// was recorded again since.
func (m *Memo) late(f *record.Fact) bool {
	var n *cannularyv1.NeedleInserted
	name := ""
	switch b := f.Body.(type) {
	case *cannularyv1.SessionStarted:
		name = b.GetAccess()
	case *cannularyv1.NeedleInserted:
		n, name = b, b.GetAccess()
	case *cannularyv1.SessionEnded:
	default:
		return false
	}
	d := m.day(f)
	within := func(s stay.Stay) bool { return s.Facility == f.Facility && s.Admitted && s.Has(d) }
	if d+1 >= m.apart || !f.At.Before(m.apartAt) || !slices.ContainsFunc(m.stays.List(), within) {
		return false
	}
	a := m.accesses[name]
	return name == "" || a != nil && m.usedAt.After(f.At) && (n.GetPattern() == 0 || a.seen.After(f.At))
}

// Person returns the person whom the facts make that were taken in.
func (m *Memo) Person() Person { return m.person() }

// looksAt reports whether a work list rests on a fact of that kind, beyond where it was told.
func looksAt(f *record.Fact) bool {
	switch f.Body.(type) {
	case *cannularyv1.PatientAdmitted, *cannularyv1.PatientLeft, *cannularyv1.ScheduleSet, *cannularyv1.HospitalAdmission,
		*cannularyv1.HospitalDischarge, *cannularyv1.AccessCreated, *cannularyv1.AccessRetired, *cannularyv1.SessionStarted,
		*cannularyv1.SessionEnded, *cannularyv1.SessionMissed, *cannularyv1.NeedleInserted, *cannularyv1.TrackPlanned,
		*cannularyv1.TrackTakenOver, *cannularyv1.DeputyNamed, *logv1.IdentitySealed:
		return true
	}
	return false
}

func (m *Memo) day(f *record.Fact) zone.Day { return zone.DayOf(f.At, m.zoneOf(f.Facility)) }

func (m *Memo) zoneOf(facility string) *time.Location {
	if m.zones == nil {
		return nil
	}
	return m.zones(facility)
}

func (m *Memo) add(f *record.Fact) {
	m.stays.Add(f)
	if !looksAt(f) {
		return
	}
	m.newest = *f
	if f.BeginsTreatment() {
		m.treated(f)
	}
	switch b := f.Body.(type) {
	case *cannularyv1.PatientLeft:
		delete(m.schedules, f.Facility)
	case *cannularyv1.ScheduleSet:
		m.schedules[f.Facility] = Schedule{f.Facility, slices.Sorted(slices.Values(b.GetDays())), b.GetShift(), b.GetChair()}
	case *cannularyv1.HospitalAdmission:
		m.hospital = m.day(f)
	case *cannularyv1.HospitalDischarge:
		m.hospital = 0
	case *cannularyv1.AccessCreated:
		m.access(b.GetAccess()).kind = b.GetKind()
	case *cannularyv1.AccessRetired:
		m.access(b.GetAccess()).retired = true
	case *cannularyv1.SessionMissed:
		m.missed = &Missed{f.Facility, m.day(f), b.GetReason()}
	case *cannularyv1.SessionStarted:
		m.uses(b.GetAccess(), f.At)
	case *cannularyv1.SessionEnded:
		// It may end after midnight.
		if m.last != nil && m.last.Facility == f.Facility && m.day(f) <= m.last.Day+1 {
			m.last.Ended = true
		}
	case *cannularyv1.NeedleInserted:
		m.uses(b.GetAccess(), f.At)
		if a := m.accesses[b.GetAccess()]; a != nil && b.GetPattern() != 0 {
			a.pattern, a.seen = b.GetPattern(), f.At
		}
		if b.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			m.needled(Needle{b.GetRole(), b.GetTip(), b.GetGauge()})
		}
	}
}

// access finds or notes an access. A message that leaves its name out says nothing of any.
func (m *Memo) access(name string) *access {
	a := m.accesses[name]
	if a == nil {
		a = &access{}
		m.accesses[name] = a
		m.names = append(m.names, name)
	}
	return a
}

func (m *Memo) uses(name string, at time.Time) {
	if name != "" {
		m.access(name)
		m.used, m.usedAt = name, at
	}
}

// treated notes that a treatment took place at the moment of a fact.
func (m *Memo) treated(f *record.Fact) {
	d := m.day(f)
	if m.active+1 < d {
		m.apart, m.apartAt = d, f.At
	}
	m.active = d
	if !m.goesOn(f, d) {
		m.last = &Treatment{Facility: f.Facility, Day: d, Began: f.At.UTC(),
			Timed: f.Precision != cannularyv1.TimePrecision_TIME_PRECISION_DAY}
		m.reference = ""
	}
	m.last.Ended = false
	m.reference = cmp.Or(m.reference, reference(f))
	if d == m.last.Day {
		m.latest = f.At
	}
}

// goesOn reports whether a fact of a date belongs to the latest treatment.
func (m *Memo) goesOn(f *record.Fact, d zone.Day) bool {
	l := m.last
	switch {
	case l == nil || l.Facility != f.Facility || l.Day != d && l.Day+1 != d:
		return false
	case l.Day == d:
		return true
	case m.reference != "" && reference(f) != "":
		return m.reference == reference(f) && f.At.Sub(l.Began) <= overnight
	}
	return f.At.Sub(m.latest) <= acrossMidnight
}

// reference returns a fact's session reference; empty for none.
func reference(f *record.Fact) string {
	if !f.HasSession() {
		return ""
	}
	return f.SessionSystem + "|" + f.SessionValue
}

// needled notes the needle that was used last in its role.
func (m *Memo) needled(n Needle) {
	list := slices.DeleteFunc(m.last.Needles, func(o Needle) bool { return o.Role == n.Role })
	list = append(list, n)
	slices.SortFunc(list, func(a, b Needle) int { return cmp.Compare(a.Role, b.Role) })
	m.last.Needles = list
}

func (m *Memo) person() Person {
	p := Person{Identity: m.identity, Hospital: m.hospital, Technique: m.technique()}
	if m.last != nil {
		last := *m.last
		last.Needles = slices.Clone(last.Needles)
		p.Last = &last
	}
	if m.missed != nil {
		p.Missed = new(*m.missed)
	}
	for _, s := range m.stays.List() {
		p.Stays = append(p.Stays, Stay{s.Facility, s.From, s.To})
	}
	if end := m.stays.At(far()); end.Left == nil {
		p.Facility = end.Facility
	}
	for _, f := range slices.Sorted(maps.Keys(m.schedules)) {
		p.Schedules = append(p.Schedules, m.schedules[f])
	}
	return p
}

// technique is that of the access in use.
func (m *Memo) technique() Technique {
	use := m.accesses[m.used]
	if use == nil || use.retired {
		use = nil
		for _, name := range m.names {
			switch a := m.accesses[name]; {
			case a.retired:
			case use != nil:
				return "" // several: which one is used is not recorded
			default:
				use = a
			}
		}
	}
	if use == nil {
		return ""
	}
	switch use.kind {
	case cannularyv1.AccessKind_ACCESS_KIND_GRAFT:
		return Graft
	case cannularyv1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, cannularyv1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
		return Catheter
	case cannularyv1.AccessKind_ACCESS_KIND_OTHER:
		return Other
	}
	switch use.pattern {
	case cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE:
		return ConstantSite
	case cannularyv1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER:
		return RopeLadder
	case cannularyv1.NeedlingPattern_NEEDLING_PATTERN_AREA_PUNCTURE:
		return AreaPuncture
	}
	if use.kind == cannularyv1.AccessKind_ACCESS_KIND_FISTULA {
		return Fistula
	}
	return ""
}

// identity sums up under which keys a patient is known, and the facts that say who it is.
func identity(items []record.Item) string {
	h := sha256.New()
	part := func(s string) { _, _ = fmt.Fprintf(h, "%q ", s) }
	keys := map[string]bool{}
	for i := range items {
		keys[items[i].PatientKey] = true
		if _, ok := items[i].Body.(*logv1.IdentitySealed); ok && !items[i].Void {
			part(items[i].ID)
			part(items[i].CorrectedBy)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(keys)) {
		part(k)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}
