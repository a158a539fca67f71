package needling

import (
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// nextPlan is the first plan or takeover of the track after a fact.
func (w *world) nextPlan(track string, after *record.Fact) *record.Fact {
	for _, p := range w.places(track) {
		if p.formal && before(after, p.fact) {
			return p.fact
		}
	}
	return nil
}

// findPlans judges each plan, and the site of each track taken over.
// Reading: a plan of two tracks is judged for each of them.
// Reading: a stop for spacing ends, as the caution does, with the next plan; its hold stays.
func (w *world) findPlans() {
	for _, p := range all[*cannularyv1.TrackPlanned](w) {
		rules := w.rules(p.Fact)
		for _, t := range p.Says.GetTracks() {
			base := finding{track: t.GetTrack(), access: p.Says.GetAccess(), ground: p.Fact, ends: w.nextPlan(t.GetTrack(), p.Fact)}
			raise := func(code string, severity rule.Severity, holds bool) {
				f := base
				f.rule, f.severity, f.holds = code, severity, holds
				w.raise(f)
			}
			if p.Says.TipDistanceMillimetres != nil {
				switch tip := int(p.Says.GetTipDistanceMillimetres()); {
				case tip < rules.TipStop:
					raise(rule.SpacingShort, rule.Stop, true)
				case tip < rules.TipMin:
					raise(rule.SpacingShort, rule.Caution, false)
				case tip > rules.TipMax:
					raise(rule.SpacingLong, rule.Caution, false)
				}
			}
			if t.SiteFromAnastomosisMillimetres != nil && int(t.GetSiteFromAnastomosisMillimetres()) < rules.AnastomosisMin {
				raise(rule.NearAnastomosis, rule.Caution, false)
			}
			if t.AngleDegrees != nil && (t.GetAngleDegrees() < rules.AngleMin || t.GetAngleDegrees() > rules.AngleMax) {
				raise(rule.AngleUnusual, rule.Note, false)
			}
		}
	}
	for _, t := range all[*cannularyv1.TrackTakenOver](w) {
		if t.Says.SiteFromAnastomosisMillimetres != nil &&
			int(t.Says.GetSiteFromAnastomosisMillimetres()) < w.rules(t.Fact).AnastomosisMin {
			w.raise(finding{
				rule: rule.NearAnastomosis, severity: rule.Caution, track: t.Says.GetTrack(), access: t.Says.GetAccess(),
				ground: t.Fact, ends: w.nextPlan(t.Says.GetTrack(), t.Fact),
			})
		}
	}
}

func (w *world) findFistulas() {
	for _, f := range w.notFistulas() {
		w.raise(finding{
			rule: rule.NotAFistula, severity: rule.Stop, track: f.track, access: f.access, ground: f.plan,
			others: []*record.Fact{f.kind}, since: w.moment(f.since), ends: f.ended, holds: true,
		})
	}
}

// findPreparations finds scabs left before a blunt needle.
// Reading: "trial" is the trial and after; that a blunt needle would not be offered because
// of a gap, a rest or retirement is not looked at, as a hold is not.
func (w *world) findPreparations() {
	for _, p := range all[*cannularyv1.SitePrepared](w) {
		if !leavesScab(p.Says) {
			continue
		}
		rules := w.homeRules(p.Fact)
		c, _ := w.fold(p.Says.GetTrack(), p.Fact)
		bluntNext := c.trial || w.formed(&c, p.Says.GetTrack(), rules, p.Fact)
		if rules.SharpOnly || !bluntNext || w.scabStands(p) {
			continue
		}
		w.raise(finding{
			rule: rule.ScabIncomplete, severity: rule.Stop, track: p.Says.GetTrack(), ground: p.Fact, ends: w.scabEnd(p.Fact,
				p.Says.GetTrack()),
		})
	}
}

// scabStands reports whether an earlier preparation's finding of the same session stands.
func (w *world) scabStands(p said[*cannularyv1.SitePrepared]) bool {
	for _, f := range w.findings {
		if f.rule != rule.ScabIncomplete || f.track != p.Says.GetTrack() || !before(f.ground, p.Fact) {
			continue
		}
		if w.treatment(f.track, f.ground) != w.treatment(f.track, p.Fact) {
			continue
		}
		if end := w.scabEnd(f.ground, f.track); end == nil || !before(end, p.Fact) {
			return true
		}
	}
	return false
}

func leavesScab(p *cannularyv1.SitePrepared) bool {
	return p.GetScab() == cannularyv1.Removal_REMOVAL_PARTLY || p.GetScab() == cannularyv1.Removal_REMOVAL_NOT_REMOVED
}

func scabGone(p *cannularyv1.SitePrepared) bool {
	return p.GetScab() == cannularyv1.Removal_REMOVAL_WHOLE || p.GetScab() == cannularyv1.Removal_REMOVAL_NONE_PRESENT
}

// scabEnd is the fact that ends the finding on preparation p, the first of those that do.
func (w *world) scabEnd(p *record.Fact, track string) *record.Fact {
	var end *record.Fact
	first := func(f *record.Fact) {
		if before(p, f) && (end == nil || before(f, end)) {
			end = f
		}
	}
	for _, q := range all[*cannularyv1.SitePrepared](w) {
		if q.Says.GetTrack() == track && (w.treatment(track, q.Fact) != w.treatment(track, p) || scabGone(q.Says)) {
			first(q.Fact)
		}
	}
	for _, s := range w.sessions(track, nil) {
		if !w.belongs(p, s) {
			first(s.start())
		}
	}
	return end
}

// goesOn reports whether the session of a preparation of yesterday goes on.
// Reading: by its reference, and until an end of it that comes after the preparation.
func (w *world) goesOn(p *record.Fact) bool {
	if !p.HasSession() || addDays(w.date(p), 1) != w.today() {
		return false
	}
	for _, end := range all[*cannularyv1.SessionEnded](w) {
		if before(p, end.Fact) && w.anyReference(end.Fact) == w.anyReference(p) {
			return false
		}
	}
	return true
}

// scabToRemove reports whether a scab keeps the needle back at the end.
// Reading: the day is over when it is over at the stay in force; an attempt of that
// session before the preparation is one too.
func (w *world) scabToRemove(track string) bool {
	for _, f := range w.findings {
		today := w.date(f.ground) == w.today() || w.goesOn(f.ground)
		if f.rule != rule.ScabIncomplete || f.track != track || !f.cleared.IsZero() || !today {
			continue
		}
		tried := false
		for _, s := range w.sessions(track, nil) {
			tried = tried || w.belongs(f.ground, s)
		}
		if !tried {
			return true
		}
	}
	return false
}
