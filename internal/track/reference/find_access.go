package reference

import (
	"sort"

	"cannulary/internal/record"
	"cannulary/internal/rule"
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
			standing.cleared = s.fact.At
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
		collapse[a] = append(collapse[a], sight{fact: e.Fact, shows: absent(look.GetCollapseOnElevation()), gone: present(look.GetCollapseOnElevation())})
		inflow[a] = append(inflow[a], sight{fact: e.Fact, shows: absent(feel.GetPulseAugmentation()), gone: present(feel.GetPulseAugmentation())})
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
			base := finding{rule: h.rule, severity: rule.Stop, ground: f, cleared: moment(h.lifted), holds: true}
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
// one.
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
				key = reference(t)
			}
			started, isStart := t.Body.(*cannularyv1.SessionStarted)
			_, isMissed := t.Body.(*cannularyv1.SessionMissed)
			elsewhere := isStart && started.GetAccess() != access || isMissed
			own := c.HasSession() && t.HasSession() && key == reference(c.Fact)
			if elsewhere && !own {
				rested[key] = true
			}
			if len(rested) >= w.rules(c.Fact).InfiltrationRest {
				f.cleared = t.At
				break
			}
		}
		w.raise(f)
	}
}
