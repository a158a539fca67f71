package needling

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// scope is what a hold covers.
type scope struct{ tracks, accesses []string }

func (s scope) with(other scope) scope {
	return scope{slices.Concat(s.tracks, other.tracks), slices.Concat(s.accesses, other.accesses)}
}

// ending is when something ends: its place in the order, and the moment.
type ending struct {
	fact *record.Fact
	at   time.Time
}

// lift is a lift by name. One known to the day stands last in its day and works from its end.
type lift struct {
	ending
	says *cannularyv1.HoldLifted
}

// lookAtLifts gathers the lifts that work by the moment asked for.
// Reading: one known to the day works before all that happens at the first instant of the
// next day, and its hold is lifted at that instant.
func (w *world) lookAtLifts() {
	for _, l := range all[*cannularyv1.HoldLifted](w) {
		end := ending{l.Fact, l.At}
		if dayOnly(l.Fact) && w.mutant != DayLiftAtNoon {
			last := *l.Fact
			end.at = w.dayEnd(l.Fact)
			last.At = end.at.Add(-time.Nanosecond)
			end.fact = &last
		}
		if !end.at.After(w.in.AsOf) {
			w.lifts = append(w.lifts, lift{end, l.Says})
		}
	}
	sort.SliceStable(w.lifts, func(i, j int) bool { return before(w.lifts[i].fact, w.lifts[j].fact) })
}

func (l lift) names(hold string) bool {
	return l.says.GetHold() == hold || contains(l.says.GetMoreHolds(), hold)
}

// hold is one hold with the facts that opened and ended it.
type hold struct {
	id, rule string
	ground   string // id of the fact, for a hold by versions of it
	scope
	opened    *record.Fact
	versions  []version
	days      []*record.Fact // versions that are known to the day
	since     time.Time
	lifted    *ending
	withdrawn bool
	fistula   bool // that of not-a-fistula, which ends by itself
}

// version is what one version of a ground holds, and from when on a lift may lift it.
type version struct {
	fact *record.Fact
	scope
	liftable time.Time
}

// knows tells of facts whether they are known at some moment.
type knows func(f *record.Fact) bool

// until knows what comes before a fact (nil: all); with knows the fact itself too.
func until(at *record.Fact) knows { return func(f *record.Fact) bool { return before(f, at) } }
func with(at *record.Fact) knows  { return func(f *record.Fact) bool { return notAfter(f, at) } }

// soFar is what the known versions of the ground hold.
func (h *hold) soFar(is knows) scope {
	if h.fistula {
		return h.scope
	}
	var s scope
	for _, v := range h.versions {
		if is(v.fact) {
			s = s.with(v.scope)
		}
	}
	return s
}

// open reports whether the hold is open by what is known.
// Reading: versions and lifts are looked at from their own moments on, as all facts are. So
// a version that is dated later opens a lifted hold again.
func (w *world) open(h *hold, is knows) bool {
	if h.fistula {
		return is(h.opened) && (h.lifted == nil || !is(h.lifted.fact))
	}
	var versions []version
	for _, v := range h.versions {
		if is(v.fact) {
			versions = append(versions, v)
		}
	}
	if len(versions) == 0 {
		return false
	}
	lifted := w.liftOf(h, versions)
	return lifted == nil || !is(lifted.fact)
}

// openOn reports whether the hold is open and on the track by what is known when at happens.
func (w *world) openOn(h *hold, track string, at *record.Fact, is knows) bool {
	return w.open(h, is) && w.on(h.soFar(is), track, at)
}

// on reports whether what is held is on the track when at happens (nil: at the end).
// Reading: the kind of the held access is that of the latest statement.
func (w *world) on(h scope, track string, at *record.Fact) bool {
	if contains(h.tracks, track) {
		return true
	}
	if access := w.accessOf(track, at); access != "" {
		return contains(h.accesses, access)
	}
	for _, a := range h.accesses {
		if !w.noFistula(a, at) && !w.accessRetired(a, at) && w.mutant != UnknownAccessIsFree {
			return true
		}
	}
	return false
}

// noFistula reports whether an access is known to be none.
func (w *world) noFistula(access string, at *record.Fact) bool {
	var kind cannularyv1.AccessKind
	for _, c := range all[*cannularyv1.AccessCreated](w) {
		if c.Says.GetAccess() == access && c.Says.GetKind() != 0 && notAfter(c.Fact, at) {
			kind = c.Says.GetKind()
		}
	}
	return kind != 0 && kind != cannularyv1.AccessKind_ACCESS_KIND_FISTULA
}

func (w *world) accessRetired(access string, at *record.Fact) bool {
	for _, r := range w.accessRetirements(access) {
		if notAfter(r, at) {
			return true
		}
	}
	return false
}

// wouldHold reports what one version of a fact would hold, by rule.
func (w *world) wouldHold(v *record.Fact) map[string]scope {
	out := map[string]scope{}
	hold := func(code string, s scope) { out[code] = out[code].with(s) }
	track := func(name string) scope { return scope{tracks: []string{name}} }
	access := func(name string) scope { return scope{accesses: []string{name}} }
	switch b := v.Body.(type) {
	case *cannularyv1.HoldPlaced:
		if b.GetTrack() != "" {
			hold(rule.Person, track(b.GetTrack()))
		} else {
			hold(rule.Person, access(b.GetAccess()))
		}
	case *cannularyv1.TrackPlanned:
		if b.TipDistanceMillimetres != nil && int(b.GetTipDistanceMillimetres()) < w.rules(v).TipStop {
			for _, t := range b.GetTracks() {
				hold(rule.SpacingShort, track(t.GetTrack()))
			}
		}
	case *cannularyv1.AccessExamined:
		if absent(b.GetFeel().GetThrill()) || absent(b.GetListen().GetBruit()) {
			hold(rule.ThrillAbsent, access(b.GetAccess()))
		}
		look := b.GetLook()
		if present(look.GetShinyOrThinSkin(), look.GetNonHealingScab(), look.GetUlcer()) {
			hold(rule.SkinAtRisk, access(b.GetAccess()))
		}
		if present(look.GetPus(), look.GetRedness()) {
			hold(rule.SiteInfection, access(b.GetAccess()))
		}
		for _, s := range b.GetSites() {
			if present(s.GetNonHealingScab(), s.GetShinyOrThinSkin()) {
				hold(rule.SkinAtRisk, access(b.GetAccess()))
			}
			if present(s.GetPus(), s.GetRedness(), s.GetSwelling()) {
				hold(rule.SiteInfection, track(s.GetTrack()))
			}
		}
	case *cannularyv1.SiteSignsSeen:
		if present(b.GetPus(), b.GetRedness(), b.GetSwelling()) {
			if b.GetTrack() != "" {
				hold(rule.SiteInfection, track(b.GetTrack()))
			} else {
				hold(rule.SiteInfection, access(b.GetAccess()))
			}
		}
	case *cannularyv1.CultureResulted:
		if aureusInBlood(b) {
			for _, t := range w.trackNames() {
				a := w.accessOf(t, v)
				switch {
				case !w.pastPlanned(t, v) || w.retired(t, v):
				case a == "":
					hold(rule.Bacteraemia, track(t))
				default:
					hold(rule.Bacteraemia, access(a))
				}
			}
		}
	}
	return out
}

func present(findings ...cannularyv1.Finding) bool {
	for _, f := range findings {
		if f == cannularyv1.Finding_FINDING_PRESENT {
			return true
		}
	}
	return false
}

func absent(f cannularyv1.Finding) bool { return f == cannularyv1.Finding_FINDING_ABSENT }

func aureusInBlood(c *cannularyv1.CultureResulted) bool {
	positive := c.GetGrowth() == cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE
	if c.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD || !positive {
		return false
	}
	for _, o := range c.GetOrganisms() {
		switch o.GetGroup() {
		case cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS,
			cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT:
			return true
		}
	}
	return false
}

// pastPlanned reports whether the track was founded or taken over before at.
func (w *world) pastPlanned(track string, at *record.Fact) bool {
	if w.takeover(track, at) != nil {
		return true
	}
	return len(w.attempts(track, at)) > 0
}

// placeHolds concludes which holds were placed and lifted.
// Reading: of the versions of a fact those are looked at that have happened by the moment
// asked for. Where the version that stands is later than that, none stands yet.
func (w *world) placeHolds() {
	w.placeFistulaHolds()
	for i := range w.in.Items {
		it := &w.in.Items[i]
		versions := append([]record.Fact{it.Fact}, it.Superseded...)
		stands := map[string]scope{}
		if !it.Void && !w.moment(&it.Fact).After(w.in.AsOf) {
			stands = w.wouldHold(&it.Fact)
		}
		placed := map[string]*hold{}
		for j := range versions {
			v := &versions[j]
			if w.moment(v).After(w.in.AsOf) {
				continue
			}
			for code, s := range w.wouldHold(v) {
				h := placed[code]
				if h == nil {
					h = &hold{id: record.HoldID(code, it.ID), rule: code, ground: it.ID, opened: v}
					placed[code] = h
				}
				h.scope = h.with(s)
				if before(v, h.opened) {
					h.opened = v
				}
				since, liftable := w.opening(v)
				if code != rule.Bacteraemia && w.unheardOf(code, s, v, versions) && liftable.Before(v.Asserted) {
					liftable = v.Asserted
				}
				if dayOnly(v) && w.mutant != DayGroundAtNoon {
					h.days = append(h.days, v)
				}
				h.since = earliest(h.since, since)
				h.versions = append(h.versions, version{v, s, liftable})
			}
		}
		for code, h := range placed {
			_, standing := stands[code]
			h.withdrawn = !standing
			h.lifted = w.liftOf(h, h.versions)
			w.holds = append(w.holds, h)
		}
	}
	sort.Slice(w.holds, func(i, j int) bool { return w.holds[i].id < w.holds[j].id })
}

// unheardOf reports whether a correction v holds a place that no version asserted earlier holds by the rule.
func (w *world) unheardOf(code string, s scope, v *record.Fact, versions []record.Fact) bool {
	if v.Asserted.IsZero() || w.mutant == LiftFreesUnheardOf {
		return false
	}
	var before scope
	for i := range versions {
		if versions[i].Asserted.Before(v.Asserted) {
			before = before.with(w.wouldHold(&versions[i])[code])
		}
	}
	for _, t := range s.tracks {
		if !contains(before.tracks, t) {
			return true
		}
	}
	for _, a := range s.accesses {
		if !contains(before.accesses, a) {
			return true
		}
	}
	return false
}

// opening is from when on a version of a ground holds, and from when on a lift may lift it.
func (w *world) opening(v *record.Fact) (since, liftable time.Time) {
	switch {
	case !dayOnly(v):
		return v.At, v.At
	case w.mutant == DayGroundAtNoon:
		return v.At, w.dayEnd(v)
	case w.mutant == TimedLiftLiftsDay:
		return w.moment(v), w.moment(v)
	}
	return w.moment(v), w.dayEnd(v)
}

// liftOf is the first lift that names the hold and is not earlier than the latest of these
// versions of its ground.
func (w *world) liftOf(h *hold, versions []version) *ending {
	var latest time.Time
	for _, v := range versions {
		if latest.Before(v.liftable) {
			latest = v.liftable
		}
	}
	if w.mutant == RetractedLifts && h.withdrawn {
		return &ending{h.opened, h.opened.At}
	}
	for _, l := range w.lifts {
		named := l.names(h.id) || w.mutant == LiftLiftsAll
		if w.mutant == MoreHoldsForgotten {
			named = l.says.GetHold() == h.id
		}
		if named && (!l.at.Before(latest) || w.mutant == LiftAnyTime) {
			return &l.ending
		}
	}
	return nil
}

// fistula is a time over which a track lay on an access that is no fistula.
type fistula struct {
	track, access string
	plan, kind    *record.Fact
	since, ended  *record.Fact
}

// notFistulas lists them.
// Reading: it is asked anew at each plan or takeover of the track, which ends what stood on
// the one before; the kind is that of the latest statement of the access.
func (w *world) notFistulas() []fistula {
	var out []fistula
	for _, t := range w.trackNames() {
		var places []place
		for _, p := range w.places(t) {
			if p.formal {
				places = append(places, p)
			}
		}
		for i, p := range places {
			var next *record.Fact
			if i+1 < len(places) {
				next = places[i+1].fact
			}
			out = append(out, w.notFistula(t, p, next)...)
		}
	}
	return out
}

// notFistula looks from one plan of the track to the next.
// Reading: a track that is retired already is not found.
func (w *world) notFistula(track string, p place, next *record.Fact) []fistula {
	var out []fistula
	for _, k := range all[*cannularyv1.AccessCreated](w) {
		kind := k.Says.GetKind()
		if k.Says.GetAccess() != p.access || next != nil && !before(k.Fact, next) || kind == 0 {
			continue
		}
		last := len(out) - 1
		open := last >= 0 && out[last].ended == nil
		switch {
		case kind == cannularyv1.AccessKind_ACCESS_KIND_FISTULA || w.mutant == GraftAllowed:
			if open {
				out[last].ended = k.Fact
			}
		case !open:
			out = append(out, fistula{track: track, access: p.access, plan: p.fact, kind: k.Fact})
		case before(k.Fact, p.fact):
			out[last].kind = k.Fact // the latest before the plan told it
		}
	}
	ends := w.retiring(track)
	if next != nil {
		ends = append(ends, next)
	}
	var found []fistula
	for _, f := range out {
		f.since = p.fact
		if before(p.fact, f.kind) {
			f.since = f.kind
		}
		for _, e := range ends {
			if f.ended == nil || before(e, f.ended) {
				f.ended = e
			}
		}
		if f.ended == nil || before(f.since, f.ended) {
			found = append(found, f)
		}
	}
	return found
}

func (w *world) placeFistulaHolds() {
	for _, f := range w.notFistulas() {
		h := &hold{
			id: record.HoldID(rule.NotAFistula, f.plan.ID), rule: rule.NotAFistula, scope: scope{tracks: []string{f.track}},
			opened: f.since, since: w.moment(f.since), fistula: true,
		}
		if dayOnly(f.since) && w.mutant != DayGroundAtNoon {
			h.days = []*record.Fact{f.since}
		}
		if f.ended != nil {
			h.lifted = &ending{f.ended, w.moment(f.ended)}
		}
		w.holds = append(w.holds, h)
	}
}

// answerHolds lists the holds; those of two tracks of one plan are one.
func (w *world) answerHolds() []Hold {
	same := map[string][]*hold{}
	for _, h := range w.holds {
		if !h.fistula || h.lifted == nil {
			same[h.id] = append(same[h.id], h)
		}
	}
	var out []Hold
	for id, holds := range same {
		h := holds[0]
		a := Hold{ID: id, Rule: h.rule, Withdrawn: h.withdrawn}
		for _, h := range holds {
			a.Tracks, a.Accesses = append(a.Tracks, h.tracks...), append(a.Accesses, h.accesses...)
			a.Since = earliest(a.Since, h.since)
		}
		a.Tracks, a.Accesses = distinct(a.Tracks), distinct(a.Accesses)
		if h.lifted != nil {
			a.Lifted = h.lifted.at
		}
		a.Needled, a.NeedledLast = w.count(holds)
		out = append(out, a)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].ID < out[j].ID })
	return out
}

// shownAsOne gathers open holds that are shown and counted as one.
// Reading: the date of a ground is that of its earliest version.
func (w *world) shownAsOne(holds []Hold) [][]string {
	alike := map[string][]string{}
	for _, a := range holds {
		for _, h := range w.holds {
			if h.id == a.ID && a.Lifted.IsZero() && !h.fistula {
				key := fmt.Sprint(a.Rule, a.Tracks, a.Accesses, w.date(h.opened))
				alike[key] = append(alike[key], a.ID)
			}
		}
	}
	var out [][]string
	for _, ids := range alike {
		if len(ids) > 1 {
			out = append(out, ids)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i][0] < out[j][0] })
	return out
}
