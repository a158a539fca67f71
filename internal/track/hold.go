package track

import (
	"slices"
	"strings"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// ground is what one version of a fact holds.
type ground struct {
	rule             string
	tracks, accesses []string
	seen             string
	by               *cannularyv1.StaffIdentifier
}

// grounds opens the holds that a version of a fact is the ground of. A withdrawn version
// holds as well: a hold never lifts itself.
func (m *machine) grounds(e *env, f *record.Fact, withdrawn bool) {
	for _, g := range m.groundsOf(e, f) {
		id := record.HoldID(g.rule, f.ID)
		h := m.hold(id)
		if h == nil {
			r, _ := rule.Of(g.rule)
			m.holds = append(m.holds, Hold{ID: id, Rule: g.rule, Since: f.At, Ground: f.ID, Asked: r.Asks, Clears: r.Clears, GroundWithdrawn: true})
			h = &m.holds[len(m.holds)-1]
		}
		// A lift before the latest version of the ground is none of this one.
		m.reopen(h)
		h.Lifted, h.LiftedBy, h.Reason, h.LiftFact = time.Time{}, nil, "", ""
		if !withdrawn || h.Text == "" {
			h.Text, h.By = g.seen, g.by
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
			if h.covers(c) && c.newest.Before(f.At) {
				c.newest = f.At
			}
		}
		if !withdrawn && g.rule != rule.Person && g.rule != rule.SpacingShort {
			m.stop(g, f, id)
		}
	}
}

// reopen lets the findings of a hold that was lifted stand again.
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

// stop raises the findings that go with a hold, one for each place that is held.
func (m *machine) stop(g ground, f *record.Fact, id string) {
	for _, t := range g.tracks {
		x := Finding{Rule: g.rule, Track: t, Since: f.At, Facts: []string{f.ID}, Seen: g.seen, Hold: id}
		if c := m.find(t); c != nil {
			x.Access = c.access
		}
		m.raise(x, nil)
	}
	for _, a := range g.accesses {
		m.raise(Finding{Rule: g.rule, Access: a, Since: f.At, Facts: []string{f.ID}, Seen: g.seen, Hold: id}, nil)
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

// groundsOf lists what a version of a fact holds.
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
		return m.bacteraemia(b)
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

// signs names the signs of infection that are there.
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
	return strings.Join(list, ", ")
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
		out = append(out, ground{rule: rule.ThrillAbsent, accesses: []string{b.GetAccess()}, seen: strings.Join(lost, ", ")})
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

// bacteraemia holds the accesses of all tracks in use.
func (m *machine) bacteraemia(b *cannularyv1.CultureResulted) []ground {
	if b.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD || b.GetGrowth() != cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
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

// lift lifts the hold that it names, if that is open.
func (m *machine) lift(b *cannularyv1.HoldLifted, f *record.Fact) {
	h := m.hold(b.GetHold())
	if h == nil || !h.Lifted.IsZero() {
		return
	}
	h.Lifted, h.LiftedBy, h.Reason, h.LiftFact = f.At, b.GetLiftedBy(), b.GetReason(), f.ID
	for _, c := range m.courses {
		if h.covers(c) && c.newest.Before(f.At) {
			c.newest = f.At
		}
	}
	id := h.ID
	m.clear(f.At, "lifted by "+b.GetLiftedBy().GetValue()+": "+b.GetReason(), func(x *Finding) bool { return x.Hold == id && x.Rule != rule.SpacingShort })
}

// covers tells whether the hold is on the track or its access.
func (h *Hold) covers(c *course) bool {
	return slices.Contains(h.Tracks, c.name) || c.access != "" && slices.Contains(h.Accesses, c.access)
}

// held tells whether a hold on the track or its access is open.
func (m *machine) held(c *course) bool {
	for i := range m.holds {
		if m.holds[i].Lifted.IsZero() && m.holds[i].covers(c) {
			return true
		}
	}
	return m.notFistula(c) != nil
}
