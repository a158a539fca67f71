package track

import (
	"slices"
	"strings"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// ground is what one version of a fact holds: places, with the rule and the reason.
type ground struct {
	rule             string
	tracks, accesses []string
	seen             string
	by               *cannularyv1.StaffIdentifier
}

// grounds opens the holds that one version of a fact is the ground of. A withdrawn version holds
// as well, because only a person lifts a hold.
func (m *machine) grounds(e *env, f *record.Fact, withdrawn bool) {
	since, until, dayKnown := e.day(f)
	if !dayKnown {
		since, until = f.At, f.At
	}
	for _, g := range m.groundsOf(e, f) {
		id := record.HoldID(g.rule, f.ID)
		h := m.hold(id)
		if h == nil {
			r, _ := rule.Of(g.rule)
			m.holds = append(m.holds, Hold{ID: id, Rule: g.rule, Since: since, Date: e.date(f), Ground: f.ID, Asked: r.Asks,
				Clears: r.EndedBy(rule.Stop), GroundWithdrawn: true})
			h = &m.holds[len(m.holds)-1]
		}
		h.Since, h.until = earlier(h.Since, since), later(h.until, until)
		if m.broadens(e, g, f) {
			h.until = later(h.until, f.Asserted)
		}
		if dayKnown {
			h.days = append(slices.Clip(h.days), span{since, until})
		}
		// A lift that came before this version does not lift it.
		m.reopen(h)
		h.Lifted, h.LiftedBy, h.Reason = time.Time{}, nil, ""
		if !withdrawn || h.Text == "" {
			h.Text, h.By, h.Date, h.DayKnown = g.seen, g.by, e.date(f), dayKnown
		}
		if !withdrawn {
			h.GroundWithdrawn = false
		}
		for _, t := range g.tracks {
			if !slices.Contains(h.Tracks, t) {
				h.Tracks = append(slices.Clip(h.Tracks), t)
			}
		}
		for _, a := range g.accesses {
			if !slices.Contains(h.Accesses, a) {
				h.Accesses = append(slices.Clip(h.Accesses), a)
			}
		}
		for _, c := range m.courses {
			if m.on(h, c) && c.newest.Before(since) {
				c.newest = since
			}
		}
		if !withdrawn && g.rule != rule.Person && g.rule != rule.SpacingShort {
			m.stop(g, f, id, since)
		}
		if dayKnown {
			day := span{since, until}
			m.began(id, day)
			m.doubt(day, func(c *course) bool { return m.on(h, c) })
		}
	}
}

// broadens reports whether a correction brings a place into a hold that no content of the fact asserted before it names. Whoever
// lifted the hold before that did not know the place.
func (m *machine) broadens(e *env, g ground, f *record.Fact) bool {
	if f.Asserted.IsZero() || g.rule == rule.Bacteraemia {
		return false
	}
	var tracks, accesses []string
	for _, v := range m.g.versions[f.ID] {
		if !v.Asserted.Before(f.Asserted) {
			continue
		}
		for _, before := range m.groundsOf(e, v) {
			if before.rule == g.rule {
				tracks, accesses = append(tracks, before.tracks...), append(accesses, before.accesses...)
			}
		}
	}
	unknown := func(known []string) func(string) bool {
		return func(name string) bool { return !slices.Contains(known, name) }
	}
	return slices.ContainsFunc(g.tracks, unknown(tracks)) || slices.ContainsFunc(g.accesses, unknown(accesses))
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// began records a day on which a hold began. If another version of its ground has marked
// sessions already, the marks are cleared and the fold runs again.
func (m *machine) began(hold string, day span) {
	if slices.Contains(m.g.days[hold], day) {
		return
	}
	m.g.days[hold] = append(m.g.days[hold], day)
	for _, s := range m.g.sessions {
		m.redo = m.redo || s.held || s.doubted
		s.held, s.unreviewed, s.doubted = false, false, false
	}
}

// doubt puts the used sessions of a day in doubt: a hold began on it at an unknown time.
func (m *machine) doubt(day span, held func(*course) bool) {
	for _, s := range m.g.sessions {
		if c := m.find(s.track); !s.held && !s.doubted && c != nil && s.usedIn(day) && held(c) {
			s.doubted, m.redo = true, true
		}
	}
}

// usedIn reports whether a needle was used in a span of time.
func (s *session) usedIn(t span) bool {
	return slices.ContainsFunc(s.attempts, func(a attempt) bool { return a.used() && t.has(a.at) })
}

func (d span) has(t time.Time) bool { return !t.Before(d.from) && t.Before(d.to) }

// under looks for a hold that is open on the track of a used attempt, and records the needle
// with the hold. If the session was folded without that knowledge, the fold runs again.
func (m *machine) under(e *env, c *course, s *session, a attempt, first bool) {
	held, doubted := false, false
	var oldest *Hold
	for i := range m.holds {
		h := &m.holds[i]
		if !h.Lifted.IsZero() || !m.on(h, c) {
			continue
		}
		if slices.ContainsFunc(h.days, s.usedIn) || slices.ContainsFunc(m.g.days[h.ID], s.usedIn) {
			doubted = true
			continue
		}
		h.needled(s.treated, e.date(a.fact))
		held = true
		if oldest == nil {
			oldest = h
		}
	}
	if no := m.notFistula(c); no != nil && s.usedIn(c.notFistulaDay(no)) {
		doubted = true
	} else if no != nil {
		held = true
		if x := m.stands(rule.NotAFistula, "", c.name, ""); x != nil {
			if !slices.Contains(x.needled, s.treated) {
				x.needled = append(slices.Clip(x.needled), s.treated)
			}
			x.needledLast = e.date(a.fact)
		}
	}
	unreviewed := !held && c.stopped()
	held = held || unreviewed
	if held && !s.held {
		s.held, s.unreviewed = true, unreviewed
		m.redo = m.redo || !first
	}
	if doubted && !s.held && !s.doubted {
		s.doubted = true
		m.redo = m.redo || !first
	}
	if held && m.stands(rule.NeedledUnderHold, "", c.name, "") == nil {
		m.raise(Finding{Rule: rule.NeedledUnderHold, Track: c.name, Access: c.access, Since: a.from, Facts: []string{a.id},
			Seen: "needled on " + s.date + " while " + m.why(c, oldest) + "; such a session does not count"}, nil)
	}
}

// why returns what keeps the track from the needle, in words.
func (m *machine) why(c *course, first *Hold) string {
	switch {
	case first != nil:
		return "a hold was open (" + first.Text + ")"
	case c.stopped():
		return "the track had not been used for long and no review was closed"
	}
	return "its access was recorded as no fistula"
}

// underAccess does the same for a needle in no track.
func (m *machine) underAccess(e *env, b *cannularyv1.NeedleInserted, f *record.Fact, place string) {
	if b.GetAccess() == "" || b.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
		return
	}
	for i := range m.holds {
		h := &m.holds[i]
		if !h.Lifted.IsZero() || !slices.Contains(h.Accesses, b.GetAccess()) || h.ofDay(f.At) {
			continue
		}
		treated := place
		if reference(f) == "" {
			treated = f.Facility + " " + e.date(f)
		}
		h.needled(treated, e.date(f))
		if m.stands(rule.NeedledUnderHold, "", "", b.GetAccess()) == nil {
			m.raise(Finding{Rule: rule.NeedledUnderHold, Access: b.GetAccess(), Since: e.from(f), Facts: []string{f.ID},
				Seen: "needled on " + e.date(f) + " while a hold was open (" + h.Text + ")"}, nil)
		}
	}
}

// freed ends the needled-under-hold findings on places that no hold is on any more.
func (m *machine) freed(at time.Time) {
	if !slices.ContainsFunc(m.standing, func(x Finding) bool { return x.Rule == rule.NeedledUnderHold }) {
		return
	}
	m.clear(at, "the hold was lifted", func(x *Finding) bool {
		if x.Rule != rule.NeedledUnderHold {
			return false
		}
		if c := m.find(x.Track); c != nil {
			return !m.held(c) && !c.stopped()
		}
		return !slices.ContainsFunc(m.holds, func(h Hold) bool { return h.Lifted.IsZero() && slices.Contains(h.Accesses, x.Access) })
	})
}

// ofDay reports whether a moment lies in a day on which the hold began at an unknown time.
func (h *Hold) ofDay(t time.Time) bool {
	return slices.ContainsFunc(h.days, func(d span) bool { return d.has(t) })
}

// needled records a treatment with a needle under the hold.
func (h *Hold) needled(treated, date string) {
	if !slices.Contains(h.places, treated) {
		h.places = append(slices.Clip(h.places), treated)
	}
	h.Needled, h.NeedledLast = len(h.places), date
}

// reopen makes the findings of a lifted hold stand again.
func (m *machine) reopen(h *Hold) {
	if h.Lifted.IsZero() {
		return
	}
	var kept []Finding
	for _, x := range m.over {
		if x.Hold == h.ID && x.Cleared.Equal(h.Lifted) {
			x.Cleared, x.ClearedBy = time.Time{}, ""
			m.standing = append(m.standing, x)
		} else {
			kept = append(kept, x)
		}
	}
	m.over = kept
}

// stop raises the findings of a hold, one for each place that it holds.
func (m *machine) stop(g ground, f *record.Fact, id string, since time.Time) {
	for _, t := range g.tracks {
		x := Finding{Rule: g.rule, Track: t, Since: since, Facts: []string{f.ID}, Seen: g.seen, Hold: id}
		if c := m.find(t); c != nil {
			x.Access = c.access
		}
		m.raise(x, nil)
	}
	for _, a := range g.accesses {
		m.raise(Finding{Rule: g.rule, Access: a, Since: since, Facts: []string{f.ID}, Seen: g.seen, Hold: id}, nil)
	}
}

func (m *machine) hold(id string) *Hold {
	for i := range m.holds {
		if m.holds[i].ID == id {
			return &m.holds[i]
		}
	}
	return nil
}

// groundsOf returns what a version of a fact holds.
func (m *machine) groundsOf(e *env, f *record.Fact) []ground {
	switch b := f.Body.(type) {
	case *cannularyv1.HoldPlaced:
		g := ground{rule: rule.Person, seen: b.GetReason(), by: b.GetPlacedBy()}
		if b.GetTrack() != "" {
			g.tracks = []string{b.GetTrack()}
		} else {
			g.accesses = []string{b.GetAccess()}
		}
		return []ground{g}
	case *cannularyv1.TrackPlanned:
		return spacingGround(e, b, f)
	case *cannularyv1.AccessExamined:
		m.access(b.GetAccess())
		return examinedGrounds(b)
	case *cannularyv1.SiteSignsSeen:
		m.access(b.GetAccess())
		g := ground{rule: rule.SiteInfection, seen: signs(b.GetPus(), b.GetRedness(), b.GetSwelling())}
		if g.seen == "" {
			return nil
		}
		if b.GetTrack() != "" {
			g.tracks = []string{b.GetTrack()}
		} else {
			g.accesses = []string{b.GetAccess()}
		}
		return []ground{g}
	case *cannularyv1.CultureResulted:
		return m.bacteraemia(e, b, f)
	}
	return nil
}

func spacingGround(e *env, b *cannularyv1.TrackPlanned, f *record.Fact) []ground {
	if b.TipDistanceMillimetres == nil || int(b.GetTipDistanceMillimetres()) >= e.on(f).TipStop {
		return nil
	}
	g := ground{rule: rule.SpacingShort, seen: spacingSeen(b)}
	for _, t := range b.GetTracks() {
		g.tracks = append(g.tracks, t.GetTrack())
	}
	return []ground{g}
}

// signs names the signs of infection that are present.
func signs(pus, redness, swelling cannularyv1.Finding) string {
	var list []string
	for _, x := range []struct {
		f    cannularyv1.Finding
		name string
	}{{pus, "pus"}, {redness, "redness"}, {swelling, "swelling"}} {
		if x.f == present {
			list = append(list, x.name)
		}
	}
	return strings.Join(list, " and ")
}

func examinedGrounds(b *cannularyv1.AccessExamined) []ground {
	var out []ground
	var lost []string
	if b.GetFeel().GetThrill() == absent {
		lost = append(lost, "no thrill")
	}
	if b.GetListen().GetBruit() == absent {
		lost = append(lost, "no bruit")
	}
	if len(lost) > 0 {
		out = append(out, ground{rule: rule.ThrillAbsent, accesses: []string{b.GetAccess()}, seen: strings.Join(lost, " and ")})
	}
	infected := ground{rule: rule.SiteInfection}
	var seen []string
	if s := signs(b.GetLook().GetPus(), b.GetLook().GetRedness(), 0); s != "" {
		infected.accesses = []string{b.GetAccess()}
		seen = append(seen, s+" over the access")
	}
	var skin []string
	if l := b.GetLook(); l != nil {
		skin = atRisk(skin, l.GetShinyOrThinSkin(), l.GetNonHealingScab(), l.GetUlcer(), "")
	}
	for _, s := range b.GetSites() {
		if x := signs(s.GetPus(), s.GetRedness(), s.GetSwelling()); x != "" {
			infected.tracks = append(infected.tracks, s.GetTrack())
			seen = append(seen, x+" at the site of "+s.GetTrack())
		}
		skin = atRisk(skin, s.GetShinyOrThinSkin(), s.GetNonHealingScab(), 0, " at the site of "+s.GetTrack())
	}
	if len(seen) > 0 {
		infected.seen = strings.Join(seen, "; ")
		out = append(out, infected)
	}
	if len(skin) > 0 {
		out = append(out, ground{rule: rule.SkinAtRisk, accesses: []string{b.GetAccess()}, seen: strings.Join(skin, "; ")})
	}
	return out
}

func atRisk(list []string, shiny, scab, ulcer cannularyv1.Finding, where string) []string {
	for _, x := range []struct {
		f    cannularyv1.Finding
		name string
	}{{shiny, "shiny or thin skin"}, {scab, "a scab that does not heal"}, {ulcer, "an ulcer"}} {
		if x.f == present {
			list = append(list, x.name+where)
		}
	}
	return list
}

// bacteraemia holds the accesses of all tracks in use if S. aureus grew in blood.
func (m *machine) bacteraemia(e *env, b *cannularyv1.CultureResulted, f *record.Fact) []ground {
	if b.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD ||
		b.GetGrowth() != cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
		return nil
	}
	name := ""
	for _, o := range b.GetOrganisms() {
		switch o.GetGroup() {
		case cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS:
			name = "Staphylococcus aureus in blood"
		case cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT:
			name = "meticillin-resistant Staphylococcus aureus in blood"
		}
	}
	if name == "" {
		return nil
	}
	g := ground{rule: rule.Bacteraemia, seen: name}
	if b.GetCollectedAt() != nil {
		g.seen += ", taken on " + zone.Date(b.GetCollectedAt().AsTime(), e.Zone(f.Facility))
	}
	for _, c := range m.courses {
		if !c.seen || c.retired != nil {
			continue
		}
		if c.access == "" {
			g.tracks = append(g.tracks, c.name)
		} else if !slices.Contains(g.accesses, c.access) {
			g.accesses = append(g.accesses, c.access)
		}
	}
	if len(g.tracks)+len(g.accesses) == 0 {
		return nil
	}
	return []ground{g}
}

// waiting is a lift that takes effect later: a lift known to the day takes effect at the end of
// that day.
type waiting struct {
	at   time.Time
	body *cannularyv1.HoldLifted
	fact string // its id
}

// lifted folds a lift, at once or at the end of its day.
func (m *machine) lifted(e *env, b *cannularyv1.HoldLifted, f *record.Fact) {
	_, end, ok := e.day(f)
	if !ok {
		m.lift(b, f.At)
		return
	}
	m.lifts = append(slices.Clip(m.lifts), waiting{end, b, f.ID})
	slices.SortFunc(m.lifts, func(a, b waiting) int {
		switch {
		case a.at.Equal(b.at) && a.fact < b.fact, a.at.Before(b.at):
			return -1
		}
		return 1
	})
}

// lift lifts those of the named holds that are open.
func (m *machine) lift(b *cannularyv1.HoldLifted, at time.Time) {
	for _, id := range append([]string{b.GetHold()}, b.GetMoreHolds()...) {
		h := m.hold(id)
		if h == nil || !h.Lifted.IsZero() || at.Before(h.until) {
			continue
		}
		h.Lifted, h.LiftedBy, h.Reason = at, b.GetLiftedBy(), b.GetReason()
		for _, c := range m.courses {
			if m.on(h, c) && c.newest.Before(at) {
				c.newest = at
			}
		}
		m.clear(at, "lifted by "+b.GetLiftedBy().GetValue()+": "+b.GetReason(),
			func(x *Finding) bool { return x.Hold == id && x.Rule != rule.SpacingShort })
	}
}

// on reports whether a hold is on a track: the hold names the track or its access, or nobody
// recorded the access of the track.
func (m *machine) on(h *Hold, c *course) bool {
	switch {
	case slices.Contains(h.Tracks, c.name):
		return true
	case c.access != "":
		return slices.Contains(h.Accesses, c.access)
	}
	return slices.ContainsFunc(h.Accesses, func(name string) bool {
		i := slices.IndexFunc(m.accesses, func(a *access) bool { return a.name == name })
		return i < 0 || !m.accesses[i].retired && !m.accesses[i].noFistula()
	})
}

// held reports whether an open hold is on the track.
func (m *machine) held(c *course) bool {
	for i := range m.holds {
		if m.holds[i].Lifted.IsZero() && m.on(&m.holds[i], c) {
			return true
		}
	}
	return m.notFistula(c) != nil
}
