package reference

import (
	"sort"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// scope is what a hold covers.
type scope struct{ tracks, accesses []string }

func (s scope) with(other scope) scope {
	return scope{append(append([]string(nil), s.tracks...), other.tracks...), append(append([]string(nil), s.accesses...), other.accesses...)}
}

// hold is one hold with the facts that opened and ended it.
type hold struct {
	id, rule string
	ground   string // id of the fact, for a hold by versions of it
	scope
	opened    *record.Fact
	since     time.Time
	lifted    *record.Fact
	withdrawn bool
	fistula   bool // that of not-a-fistula, which ends by itself
}

// openAt tells whether the hold is open when at happens (nil: at the end).
func (h *hold) openAt(at *record.Fact) bool {
	return before(h.opened, at) && (h.lifted == nil || at != nil && !before(h.lifted, at))
}

func (h *hold) covers(track, access string) bool {
	return contains(h.tracks, track) || access != "" && contains(h.accesses, access)
}

// held tells whether the track may not be needled when at happens.
func (w *world) held(track string, at *record.Fact) bool {
	access := w.accessOf(track, at)
	for _, h := range w.holds {
		if h.openAt(at) && h.covers(track, access) {
			return true
		}
	}
	return false
}

// wouldHold tells what one version of a fact would hold, by rule.
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
	if c.GetSpecimen() != cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD || c.GetGrowth() != cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE {
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

// pastPlanned tells whether the track was founded or taken over before at.
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
		if !it.Void && !it.At.After(w.in.AsOf) {
			stands = w.wouldHold(&it.Fact)
		}
		placed := map[string]*hold{}
		latest := map[string]*record.Fact{}
		for j := range versions {
			v := &versions[j]
			if v.At.After(w.in.AsOf) {
				continue
			}
			for code, s := range w.wouldHold(v) {
				h := placed[code]
				if h == nil {
					h = &hold{id: record.HoldID(code, it.ID), rule: code, ground: it.ID, opened: v}
					placed[code], latest[code] = h, v
				}
				h.scope = h.with(s)
				if before(v, h.opened) {
					h.opened = v
				}
				if before(latest[code], v) {
					latest[code] = v
				}
			}
		}
		for code, h := range placed {
			_, standing := stands[code]
			h.since, h.withdrawn = h.opened.At, !standing
			h.lifted = w.liftOf(h, latest[code])
			w.holds = append(w.holds, h)
		}
	}
	sort.Slice(w.holds, func(i, j int) bool { return w.holds[i].id < w.holds[j].id })
}

// liftOf is the first lift that names the hold and is not earlier than its latest version.
func (w *world) liftOf(h *hold, latest *record.Fact) *record.Fact {
	if w.mutant == RetractedLifts && h.withdrawn {
		return h.opened
	}
	for _, l := range all[*cannularyv1.HoldLifted](w) {
		named := l.Says.GetHold() == h.id || w.mutant == LiftLiftsAll
		if named && (!l.At.Before(latest.At) || w.mutant == LiftAnyTime) {
			return l.Fact
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
		w.holds = append(w.holds, &hold{
			id: record.HoldID(rule.NotAFistula, f.plan.ID), rule: rule.NotAFistula, scope: scope{tracks: []string{f.track}},
			opened: f.since, since: f.since.At, lifted: f.ended, fistula: true,
		})
	}
}

// answerHolds lists the holds; those of two tracks of one plan are one.
func (w *world) answerHolds() []Hold {
	var out []Hold
	at := map[string]int{}
	for _, h := range w.holds {
		if h.fistula && h.lifted != nil {
			continue
		}
		a := Hold{ID: h.id, Rule: h.rule, Tracks: distinct(h.tracks), Accesses: distinct(h.accesses), Since: h.since, Withdrawn: h.withdrawn}
		if h.lifted != nil {
			a.Lifted = h.lifted.At
		}
		if i, ok := at[h.id]; ok {
			out[i].Tracks = distinct(append(out[i].Tracks, a.Tracks...))
			if a.Since.Before(out[i].Since) {
				out[i].Since = a.Since
			}
			continue
		}
		at[h.id] = len(out)
		out = append(out, a)
	}
	return out
}
