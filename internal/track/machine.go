package track

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/stay"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// machine is the state of the fold over one patient's facts. Only the list of findings that are
// over grows with the history.
type machine struct {
	courses  []*course // in the order of first mention
	accesses []*access
	holds    []Hold
	reviews  []review // open ones
	standing []Finding
	over     []Finding
	newest   time.Time // the moment from which the newest fact counts
	stays    stay.Stays
	hospital *time.Time // since when the patient is an inpatient
	lifts    []waiting  // in the order in which they work
	// treatments are those of the patient, kept only for FoldLives.
	treatments []treatment
	by         string // patient key of the fact that is being folded

	// g holds the sums over all facts of this fold. redo asks for another pass: a session turned
	// out to be other than it was folded.
	g    *gathering
	redo bool
}

// begin is the state before the first fact.
func (e *env) begin() *machine { return &machine{stays: *stay.New(e.Zone)} }

// fold returns the state after more facts; it leaves from as it is. A session is folded with its
// first attempt. A later fact may show that a hold touches it. Then all facts are folded again
// with that knowledge. The loop ends because knowledge only grows.
func (e *env) fold(from *machine, items []record.Item) *machine {
	steps, g := e.steps(items)
	for {
		m := from.clone()
		m.g = g
		for _, st := range steps {
			m.apply(e, st)
		}
		if !m.redo {
			m.g = nil
			return m
		}
	}
}

type review struct{ name, track, access string }

// about reports whether the review is about the track: by its name, else by its access.
func (r review) about(c *course) bool {
	if r.track != "" {
		return r.track == c.name
	}
	return r.access == c.access && c.access != ""
}

// clone returns an independent copy. It shares the findings that are over, which are never
// written again.
func (m *machine) clone() *machine {
	c := &machine{holds: slices.Clone(m.holds), reviews: slices.Clone(m.reviews), standing: slices.Clone(m.standing),
		over: slices.Clip(m.over), newest: m.newest,
		stays: m.stays, hospital: m.hospital, lifts: slices.Clip(m.lifts), treatments: slices.Clip(m.treatments)}
	for i := range c.holds {
		h := &c.holds[i]
		h.Tracks, h.Accesses, h.days, h.places = slices.Clip(h.Tracks), slices.Clip(h.Accesses), slices.Clip(h.days), slices.Clip(h.places)
	}
	for i := range c.standing {
		c.standing[i].Facts = slices.Clip(c.standing[i].Facts)
	}
	for _, x := range m.courses {
		c.courses = append(c.courses, x.clone())
	}
	for _, x := range m.accesses {
		c.accesses = append(c.accesses, x.clone())
	}
	return c
}

// course returns the state of one track, a new one for a new name.
func (m *machine) course(name string, f *record.Fact) *course {
	if c := m.find(name); c != nil {
		return c
	}
	c := &course{name: name, patient: f.PatientKey}
	m.courses = append(m.courses, c)
	return c
}

// find returns the state of a track that a fact has named, else nil.
func (m *machine) find(name string) *course {
	for _, c := range m.courses {
		if c.name == name {
			return c
		}
	}
	return nil
}

func (m *machine) access(name string) *access {
	for _, a := range m.accesses {
		if a.name == name {
			return a
		}
	}
	a := &access{name: name, patient: m.by}
	m.accesses = append(m.accesses, a)
	return a
}

// apply folds one step.
func (m *machine) apply(e *env, st step) {
	f := st.fact
	m.by = f.PatientKey
	m.pass(e, f.At)
	defer func() {
		m.unused(e, f.At, e.from(f))
		m.freed(e.from(f))
	}()
	if st.withdrawn {
		m.grounds(e, f, true)
		return
	}
	m.stays.Add(f)
	m.newest = later(m.newest, e.from(f))
	m.touched(e, f)
	switch b := f.Body.(type) {
	case *cannularyv1.AccessCreated:
		m.created(e, b, f)
	case *cannularyv1.AccessRetired:
		m.retireAccess(e, b, f)
	case *cannularyv1.TrackPlanned:
		m.plan(e, b, f)
	case *cannularyv1.TrackTakenOver:
		m.takeOver(e, b, f)
	case *cannularyv1.DeputyNamed:
		c := m.course(b.GetTrack(), f)
		c.deputies = append(c.deputies, b.GetDeputy())
	case *cannularyv1.NeedleInserted:
		if b.GetAccess() != "" {
			m.access(b.GetAccess()).there = true
		}
		m.inserted(e, b, st)
	case *cannularyv1.NeedleRemoved:
		m.removed(e, b, st)
	case *cannularyv1.SitePrepared:
		m.prepared(e, b, st)
	case *cannularyv1.PegPlaced:
		c := m.course(b.GetTrack(), f)
		c.pegPlaced, c.peg = true, PegIn
		c.pegLeft()
	case *cannularyv1.PegRemoved:
		c := m.course(b.GetTrack(), f)
		c.pegFound, c.foundNow, c.peg = true, true, PegOut
	case *cannularyv1.PegFoundMissing:
		m.course(b.GetTrack(), f).peg = PegOut
	case *cannularyv1.ComplicationSeen:
		m.complication(e, b, st)
	case *cannularyv1.SessionStarted:
		m.access(b.GetAccess()).there = true
		m.treated(e, f, st.place)
		m.rested(e, b.GetAccess(), st)
	case *cannularyv1.SessionEnded:
		for _, c := range m.courses {
			c.scabOpen = c.scabOpen && c.scab != st.place
		}
	case *cannularyv1.SessionMissed:
		m.treated(e, f, st.place)
		m.rested(e, "", st)
	case *cannularyv1.HoldPlaced, *cannularyv1.SiteSignsSeen, *cannularyv1.CultureResulted:
		m.grounds(e, f, false)
	case *cannularyv1.HoldLifted:
		m.lifted(e, b, f)
	case *cannularyv1.ReviewOpened:
		m.closeReview(b.GetReview())
		m.reviews = append(m.reviews, review{b.GetReview(), b.GetTrack(), b.GetAccess()})
		m.touchScope(b.GetTrack(), b.GetAccess(), e.from(f))
	case *cannularyv1.ReviewClosed:
		m.reviewed(e, b, f)
	case *cannularyv1.TrackRested:
		m.course(b.GetTrack(), f).rest = &rest{until: b.GetUntil(), reason: b.GetReason()}
	case *cannularyv1.TrackResumed:
		m.course(b.GetTrack(), f).rest = nil
	case *cannularyv1.TrackRetired:
		m.retire(m.course(b.GetTrack(), f), retirement{b.GetReason(), b.GetReplacedBy()}, e.from(f), "the track was retired")
	case *cannularyv1.HospitalAdmission:
		m.hospital = new(f.At)
	case *cannularyv1.HospitalDischarge:
		m.hospital = nil
	case *cannularyv1.AccessExamined:
		m.grounds(e, f, false)
		m.examined(e, b, st)
	case *cannularyv1.VenousPressureRead:
		m.access(b.GetAccess())
		if st.value {
			m.pressure(e, b, f)
		}
	case *cannularyv1.AccessFlowMeasured:
		m.flow(e, b, f)
	}
	switch f.Body.(type) {
	case *cannularyv1.AccessCreated, *cannularyv1.AccessRetired, *cannularyv1.TrackPlanned, *cannularyv1.TrackTakenOver,
		*cannularyv1.TrackRetired:
		m.fistulas(e, f)
	}
}

// touched sets the newest fact of the tracks that a fact names. A plan, a takeover or a needle
// also makes the track exist.
func (m *machine) touched(e *env, f *record.Fact) {
	var names []string
	there := false
	switch b := f.Body.(type) {
	case *cannularyv1.TrackPlanned:
		there = true
		for _, t := range b.GetTracks() {
			names = append(names, t.GetTrack())
		}
	case *cannularyv1.NeedleInserted, *cannularyv1.TrackTakenOver:
		there = true
		names = []string{b.(interface{ GetTrack() string }).GetTrack()}
	case *cannularyv1.DeputyNamed, *cannularyv1.SitePrepared, *cannularyv1.PegPlaced, *cannularyv1.PegRemoved, *cannularyv1.PegFoundMissing,
		*cannularyv1.TrackRested, *cannularyv1.TrackResumed, *cannularyv1.TrackRetired:
		names = []string{b.(interface{ GetTrack() string }).GetTrack()}
	}
	for _, t := range names {
		if t == "" {
			continue
		}
		c := m.course(t, f)
		c.there = c.there || there
		c.newest = later(c.newest, e.from(f))
	}
}

// touch sets the newest fact of the tracks of an access.
func (m *machine) touch(access string, at time.Time) {
	for _, c := range m.courses {
		if c.access == access && access != "" && c.newest.Before(at) {
			c.newest = at
		}
	}
}

func (m *machine) touchScope(track, access string, at time.Time) {
	if c := m.find(track); c != nil && c.newest.Before(at) {
		c.newest = at
	}
	m.touch(access, at)
}

func (m *machine) closeReview(name string) (review, bool) {
	for i, r := range m.reviews {
		if r.name == name {
			m.reviews = slices.Delete(slices.Clone(m.reviews), i, i+1)
			return r, true
		}
	}
	return review{}, false
}

func (m *machine) reviewed(e *env, b *cannularyv1.ReviewClosed, f *record.Fact) {
	r, ok := m.closeReview(b.GetReview())
	if !ok {
		return
	}
	m.touchScope(r.track, r.access, e.from(f))
	for _, c := range m.courses {
		if r.about(c) {
			m.reviewedUnused(e, c, r, f)
		}
	}
	for i := range m.standing {
		if x := &m.standing[i]; x.Rule == rule.ExaminationFinding && x.aspect == aspectAneurysm && r.access != "" && x.Access == r.access {
			x.Severity = rule.Note
		}
	}
	m.clear(e.from(f), "the review "+r.name+" was closed", func(x *Finding) bool {
		c := m.find(x.Track)
		return x.Rule == rule.RescueRepeat && c != nil && r.about(c)
	})
}

func (m *machine) underReview(c *course) bool {
	for _, r := range m.reviews {
		if r.about(c) {
			return true
		}
	}
	return false
}

func (m *machine) retire(c *course, r retirement, at time.Time, by string) {
	if c.retired == nil {
		c.retiredAt = at
	}
	c.retired = &r
	m.clear(at, by, func(x *Finding) bool { return x.Track == c.name && x.Hold == "" && !x.Since.After(at) })
}

func (m *machine) retireAccess(e *env, b *cannularyv1.AccessRetired, f *record.Fact) {
	a := m.access(b.GetAccess())
	if !a.retired {
		a.retired, a.retiredOn = true, e.date(f)
	}
	m.touch(a.name, e.from(f))
	for _, c := range m.courses {
		if c.access != a.name {
			continue
		}
		r := retirement{reason: "its access is no longer used"}
		if c.retired != nil {
			r = *c.retired
		}
		m.retire(c, r, e.from(f), "its access was retired")
	}
	m.clear(e.from(f), "the access was retired", func(x *Finding) bool { return x.Access == a.name && x.Track == "" && x.Hold == "" })
}

// raise adds a standing finding.
func (m *machine) raise(x Finding, p *protocol.Parameters) {
	place := "track " + x.Track
	if x.Track == "" {
		place = "access " + x.Access
	}
	if x.aspect != "" {
		place += " " + x.aspect
	}
	x.ID = record.FindingID(x.Rule, place, cmp.Or(x.named, x.Facts[0]))
	r, _ := rule.Of(x.Rule)
	if x.Severity == "" {
		x.Severity = r.Severity
	}
	if x.Asked == "" {
		x.Asked = r.Asks
	}
	x.Clears = cmp.Or(x.Clears, r.EndedBy(x.Severity))
	m.foundAgain(&x)
	if p != nil {
		x.Protocol = p.Version
	}
	m.standing = append(m.standing, x)
}

// foundAgain drops an ended finding that is raised again on the same ground, because it is the
// same finding. Most are raised again soon or never. An access whose kind is stated anew, or a
// silence that ends, can raise one late: these two rules search all findings.
func (m *machine) foundAgain(x *Finding) {
	from := max(0, len(m.over)-lately)
	if x.Rule == rule.NotAFistula || x.Rule == rule.UnusedLong {
		from = 0
	}
	for i := len(m.over) - 1; i >= from; i-- {
		if m.over[i].ID == x.ID {
			m.over = slices.Delete(slices.Clone(m.over), i, i+1)
			return
		}
	}
}

// lately is how many of the findings that ended last are searched.
const lately = 32

// clear ends the standing findings that match.
func (m *machine) clear(at time.Time, by string, match func(*Finding) bool) {
	kept := m.standing[:0]
	for i := range m.standing {
		x := m.standing[i]
		if match(&x) {
			x.Cleared, x.ClearedBy = at, by
			x.lapse(at)
			if x.Cleared.Before(x.Since) { // sessions overlap
				x.Cleared = x.Since
			}
			m.over = append(m.over, x)
			continue
		}
		kept = append(kept, x)
	}
	m.standing = kept
}

// lapse ends a finding that the calendar has ended by the given moment.
func (x *Finding) lapse(by time.Time) {
	if !x.lapses.IsZero() && !by.Before(x.lapses) {
		x.Cleared, x.ClearedBy = x.lapses, "the calendar: too few lie within the protocol's days"
	}
}

// stands returns the standing finding of the rule and aspect at the place, else nil.
func (m *machine) stands(code, aspect, track, access string) *Finding {
	for i := range m.standing {
		x := &m.standing[i]
		if x.Rule == code && x.aspect == aspect && x.Track == track && (track != "" || x.Access == access) {
			return x
		}
	}
	return nil
}

// end ends the standing findings of the rule and aspect at the place.
func (m *machine) end(at time.Time, by, code, aspect, track, access string) {
	m.clear(at, by, func(x *Finding) bool {
		return x.Rule == code && x.aspect == aspect && x.Track == track && (track != "" || x.Access == access)
	})
}

// on returns the protocol in force at the fact's facility on its local date.
func (e *env) on(f *record.Fact) protocol.Parameters { return e.Book.On(f.Facility, e.date(f)) }

// midnight returns the first instant of a local date at a facility.
func (e *env) midnight(date, facility string) time.Time {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}
	}
	l := e.Zone(facility)
	t := time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, l)
	// If a clock change skips midnight, the day begins later.
	for zone.Date(t, l) < date {
		t = t.Add(15 * time.Minute)
	}
	return t
}

// after returns the date n days later.
func after(date string, n int) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return t.AddDate(0, 0, n).Format(time.DateOnly)
}

// between returns the number of days from one date to another.
func between(a, b string) int {
	ta, errA := time.Parse(time.DateOnly, a)
	tb, errB := time.Parse(time.DateOnly, b)
	if errA != nil || errB != nil {
		return 0
	}
	return int(tb.Sub(ta) / (24 * time.Hour))
}

func same(a, b *cannularyv1.StaffIdentifier) bool {
	return a != nil && b != nil && a.GetSystem() == b.GetSystem() && a.GetValue() == b.GetValue()
}
