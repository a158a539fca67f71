package needling

import (
	"sort"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// sight is a fact that shows a sign, finds it gone, or says nothing of it.
type sight struct {
	fact        *record.Fact
	shows, gone bool
	others      []*record.Fact
}

// findOnce raises a finding about an access where a sign is shown and does not stand yet.
func (w *world) findOnce(code, access, aspect string, sights []sight) {
	for _, r := range w.accessRetirements(access) {
		sights = append(sights, sight{fact: r, gone: true})
	}
	sort.Slice(sights, func(i, j int) bool { return before(sights[i].fact, sights[j].fact) })
	var standing *finding
	for _, s := range sights {
		if standing != nil && s.gone {
			standing.ends = s.fact
			w.raise(*standing)
			standing = nil
		}
		if standing == nil && s.shows {
			standing = &finding{rule: code, severity: rule.Caution, access: access, aspect: aspect, ground: s.fact, others: s.others}
		}
	}
	if standing != nil {
		w.raise(*standing)
	}
}

func (w *world) accessRetirements(access string) []*record.Fact {
	var out []*record.Fact
	for _, r := range all[*cannularyv1.AccessRetired](w) {
		if r.Says.GetAccess() == access {
			out = append(out, r.Fact)
		}
	}
	return out
}

func (w *world) findExaminations() {
	collapse, pulse, inflow := map[string][]sight{}, map[string][]sight{}, map[string][]sight{}
	for _, e := range all[*cannularyv1.AccessExamined](w) {
		a, look, feel, listen := e.Says.GetAccess(), e.Says.GetLook(), e.Says.GetFeel(), e.Says.GetListen()
		falls, grows := look.GetCollapseOnElevation(), feel.GetPulseAugmentation()
		collapse[a] = append(collapse[a], sight{fact: e.Fact, shows: absent(falls), gone: present(falls)})
		inflow[a] = append(inflow[a], sight{fact: e.Fact, shows: absent(grows), gone: present(grows)})
		pulse[a] = append(pulse[a], sight{
			fact:  e.Fact,
			shows: present(feel.GetBoundingPulse()) && present(feel.GetDiscontinuousThrill(), listen.GetHighPitchedBruit()),
			gone:  absent(feel.GetBoundingPulse()) || absent(feel.GetDiscontinuousThrill()) && absent(listen.GetHighPitchedBruit()),
		})
	}
	for a := range collapse {
		w.findOnce(rule.OutflowSign, a, "collapse", collapse[a])
		w.findOnce(rule.OutflowSign, a, "pulse", pulse[a])
		w.findOnce(rule.InflowSign, a, "", inflow[a])
	}
	w.findSigns()
}

// findSigns finds what an examination sees, feels or hears over an access.
// Reading: the sign of an examination after a closing of a review is a caution again, if
// none stood.
func (w *world) findSigns() {
	signs := map[string]map[string][]sight{}
	for _, e := range all[*cannularyv1.AccessExamined](w) {
		access, look, feel, listen := e.Says.GetAccess(), e.Says.GetLook(), e.Says.GetFeel(), e.Says.GetListen()
		if signs[access] == nil {
			signs[access] = map[string][]sight{}
		}
		pulse, thrill, bruit := feel.GetBoundingPulse(), feel.GetDiscontinuousThrill(), listen.GetHighPitchedBruit()
		outflow := present(pulse) && present(thrill, bruit) && w.mutant != PulseSaidTwice
		for sign, found := range map[string]cannularyv1.Finding{
			"swelling": look.GetSwelling(), "haematoma": look.GetHaematoma(), "aneurysm": look.GetAneurysm(),
			"warmth": feel.GetWarmth(), "tenderness": feel.GetTenderness(),
		} {
			signs[access][sign] = append(signs[access][sign], sight{fact: e.Fact, shows: present(found), gone: absent(found)})
		}
		for sign, found := range map[string]cannularyv1.Finding{
			"bounding-pulse": pulse, "discontinuous-thrill": thrill, "high-pitched-bruit": bruit,
		} {
			signs[access][sign] = append(signs[access][sign], sight{fact: e.Fact, shows: present(found) && !outflow, gone: absent(found)})
		}
	}
	for access, of := range signs {
		for sign, sights := range of {
			if w.mutant == AnyExaminationEnds {
				for i := range sights {
					sights[i].gone = !sights[i].shows
				}
			}
			raised := len(w.findings)
			w.findOnce(rule.ExaminationFinding, access, sign, sights)
			for _, f := range w.findings[raised:] {
				if sign == "aneurysm" && w.reviewedWhile(f) && w.mutant != AneurysmStaysCaution {
					f.severity = rule.Note
				}
			}
		}
	}
}

// reviewedWhile reports whether a review of the finding's access was closed while it stood.
func (w *world) reviewedWhile(f *finding) bool {
	c := w.closed(f.ground, func(o *cannularyv1.ReviewOpened, _ *record.Fact) bool {
		return o.GetTrack() == "" && o.GetAccess() == f.access
	})
	return c != nil && (f.ends == nil || before(c, f.ends))
}

// findRestated finds accesses of which another kind or side is told than before.
func (w *world) findRestated() {
	type told struct{ kind, side int32 }
	latest := map[string]told{}
	for _, c := range all[*cannularyv1.AccessCreated](w) {
		name := c.Says.GetAccess()
		now, was := told{int32(c.Says.GetKind()), int32(c.Says.GetSide())}, latest[name]
		restated := func(aspect string, now, was int32) int32 {
			if now != 0 && was != 0 && now != was {
				w.raise(finding{rule: rule.AccessRestated, severity: rule.Caution, access: name, aspect: aspect, ground: c.Fact})
				if w.mutant == RestatedByFirst {
					return was
				}
			}
			if now == 0 {
				return was
			}
			return now
		}
		latest[name] = told{restated("kind", now.kind, was.kind), restated("side", now.side, was.side)}
	}
}

// findStops raises the findings that open a hold and stand until it is lifted.
// Reading: one finding for each track or access that the hold covers by the version that
// stands; skin at risk at a site is a finding about the access. A person's hold is no
// finding.
func (w *world) findStops() {
	for _, h := range w.holds {
		switch h.rule {
		case rule.ThrillAbsent, rule.SkinAtRisk, rule.SiteInfection, rule.Bacteraemia:
		default:
			continue
		}
		for _, f := range w.facts {
			if f.ID != h.ground {
				continue
			}
			s, ok := w.wouldHold(f)[h.rule]
			if !ok {
				continue
			}
			base := finding{rule: h.rule, severity: rule.Stop, ground: f, holds: true}
			if h.lifted != nil {
				base.cleared = h.lifted.at
			}
			for _, t := range distinct(s.tracks) {
				about := base
				about.track = t
				w.raise(about)
			}
			for _, a := range distinct(s.accesses) {
				about := base
				about.access = a
				w.raise(about)
			}
		}
	}
}

// findFlows judges measured flows.
// Reading: "within the four calendar months before" takes in the day four months before.
func (w *world) findFlows() {
	low, falling := map[string][]sight{}, map[string][]sight{}
	flows := all[*cannularyv1.AccessFlowMeasured](w)
	for i, m := range flows {
		a, flow, rules := m.Says.GetAccess(), m.Says.GetFlowMillilitresPerMinute(), w.rules(m.Fact)
		isLow := flow < float64(rules.FlowLow)
		low[a] = append(low[a], sight{fact: m.Fact, shows: isLow, gone: !isLow})
		var highest *said[*cannularyv1.AccessFlowMeasured]
		for _, e := range flows[:i] {
			if e.Says.GetAccess() == a && w.date(e.Fact) >= addMonths(w.date(m.Fact), -4) &&
				(highest == nil || e.Says.GetFlowMillilitresPerMinute() >= highest.Says.GetFlowMillilitresPerMinute()) {
				highest = &e
			}
		}
		falls := sight{fact: m.Fact}
		if highest != nil && flow < float64(rules.FlowFallBelow) {
			top := highest.Says.GetFlowMillilitresPerMinute()
			falls.shows = (top-flow)*100 > rules.FlowFallPercent*top
			falls.others = []*record.Fact{highest.Fact}
		}
		falls.gone = !falls.shows
		falling[a] = append(falling[a], falls)
	}
	for a := range low {
		w.findOnce(rule.FlowLow, a, "", low[a])
		w.findOnce(rule.FlowFalling, a, "", falling[a])
	}
}

// findInfiltrations asks for rest after an infiltration.
// Reading: it is about the access, also where a track is named; about the track only where
// its access is not known. Later sessions are other treatments than the infiltration's, one
// per reference, that start (or are missed) after it. Without a reference each such fact is
// one, but for those of the infiltration's own date where that has no reference.
func (w *world) findInfiltrations() {
	for _, c := range all[*cannularyv1.ComplicationSeen](w) {
		if c.Says.GetKind() != cannularyv1.ComplicationKind_COMPLICATION_KIND_INFILTRATION {
			continue
		}
		access := c.Says.GetAccess()
		if access == "" {
			access = w.accessOf(c.Says.GetTrack(), c.Fact)
		}
		f := finding{rule: rule.Infiltration, severity: rule.Caution, access: access, ground: c.Fact}
		if access == "" {
			f.track = c.Says.GetTrack()
		}
		rested := map[string]bool{}
		for _, t := range w.facts {
			if !before(c.Fact, t) {
				continue
			}
			key := t.ID
			if t.HasSession() {
				key = w.anyReference(t)
			}
			started, isStart := t.Body.(*cannularyv1.SessionStarted)
			_, isMissed := t.Body.(*cannularyv1.SessionMissed)
			elsewhere := isStart && started.GetAccess() != access || isMissed
			own := c.HasSession() && t.HasSession() && key == w.anyReference(c.Fact)
			own = own || !c.HasSession() && !t.HasSession() && w.date(t) == w.date(c.Fact)
			if elsewhere && !own {
				rested[key] = true
			}
			if len(rested) >= w.rules(c.Fact).InfiltrationRest {
				f.ends = t
				break
			}
		}
		w.raise(f)
	}
}
