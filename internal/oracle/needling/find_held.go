package needling

import (
	"sort"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
)

// events are all facts in order with their moments, with lifts known to the day where they
// work, and the beginnings of dates that change whether a stop of the track stands.
func (w *world) events(track string) []ending {
	var out []ending
	for _, f := range w.facts {
		out = append(out, ending{f, w.moment(f)})
	}
	for _, l := range w.lifts {
		if dayOnly(l.fact) {
			out = append(out, l.ending)
		}
	}
	for _, since := range w.eras(track) {
		for _, c := range w.unusedSince(track, since).changes {
			if c.after.ID == "" {
				out = append(out, ending{c.after, c.after.At})
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return before(out[i].fact, out[j].fact) })
	return out
}

// findUnderHold finds the sessions of the track in which a needle was used under a hold.
// Reading: a takeover and retirement of the track end the finding too. One is raised per
// session, by its first attempt under a hold.
func (w *world) findUnderHold(track string) {
	grounds := map[string]bool{}
	for _, st := range w.history(track).steps {
		if st.takeover == nil && st.under != nil {
			grounds[st.under.ID] = true
		}
	}
	base := finding{rule: rule.NeedledUnderHold, severity: rule.Caution, track: track}
	w.findNeedled(base, w.events(track), grounds, func(f *record.Fact) bool { return w.heldAfter(track, f) || w.stoppedAfter(track, f) })
}

// findNeedled raises one finding at a time, until nothing holds the place any more.
func (w *world) findNeedled(base finding, events []ending, grounds map[string]bool, held func(after *record.Fact) bool) {
	ends := map[string]bool{}
	for _, r := range w.retirements(base) {
		ends[r.ID] = true
	}
	var standing *finding
	for _, e := range events {
		if standing == nil && grounds[e.fact.ID] {
			f := base
			f.ground, standing = e.fact, &f
		}
		if standing != nil && standing.ground.ID != e.fact.ID && (ends[e.fact.ID] || !held(e.fact)) {
			standing.cleared = e.at
			w.raise(*standing)
			standing = nil
		}
	}
	if standing != nil {
		w.raise(*standing)
	}
}

// elsewhere are the used attempts in no track that name an access.
func (w *world) elsewhere() []entry {
	var out []entry
	for _, a := range all[inserted](w) {
		if a.Says.GetTrack() == "" && a.Says.GetAccess() != "" && used(a) {
			out = append(out, a)
		}
	}
	return out
}

// underElsewhere reports whether such an attempt is under a hold.
// Reading: one in the day of a ground that is known to the day is not.
func (w *world) underElsewhere(h *hold, a entry) bool {
	for _, day := range h.days {
		if w.inDay(a.At, day) {
			return false
		}
	}
	return w.open(h, until(a.Fact)) && contains(h.soFar(until(a.Fact)).accesses, a.Says.GetAccess())
}

// findUnderHoldElsewhere finds needles in no track while their access is held.
func (w *world) findUnderHoldElsewhere() {
	grounds := map[string]map[string]bool{}
	for _, a := range w.elsewhere() {
		for _, h := range w.holds {
			if w.underElsewhere(h, a) {
				if grounds[a.Says.GetAccess()] == nil {
					grounds[a.Says.GetAccess()] = map[string]bool{}
				}
				grounds[a.Says.GetAccess()][a.ID] = true
			}
		}
	}
	for access, of := range grounds {
		base := finding{rule: rule.NeedledUnderHold, severity: rule.Caution, access: access}
		w.findNeedled(base, w.events(""), of, func(f *record.Fact) bool {
			for _, h := range w.holds {
				if w.open(h, with(f)) && contains(h.soFar(with(f)).accesses, access) {
					return true
				}
			}
			return false
		})
	}
}
