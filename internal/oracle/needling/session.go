package needling

import (
	"sort"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// entry is one attempt to insert a needle.
type (
	inserted = *cannularyv1.NeedleInserted
	entry    = said[inserted]
)

// session gathers attempts in one track.
type session struct {
	track    string
	key      string
	attempts []entry
	date     string
	rules    protocol.Parameters // of the place
	home     protocol.Parameters // of the stay
	// homeFacility is that of the stay.
	homeFacility string
	// takenOver tells that the track was taken over before; first that it is the first
	// session of a track that was not.
	takenOver bool
	first     bool

	reference string // empty where no attempt has one
	// referenced is the local date of the first attempt with it.
	referenced string
	split      string // the date, of a reference that is split
	reused     bool   // and it is not the first of that reference
}

func (s *session) start() *record.Fact { return s.attempts[0].Fact }
func (s *session) final() entry        { return s.attempts[len(s.attempts)-1] }

// used are the attempts in which a needle was used.
func (s *session) used() []entry {
	var out []entry
	for _, a := range s.attempts {
		if used(a) {
			out = append(out, a)
		}
	}
	return out
}

func used(a entry) bool {
	return a.Says.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
}

func blunt(a entry) bool { return a.Says.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }
func sharp(a entry) bool { return a.Says.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_SHARP }
func successful(a entry) bool {
	return a.Says.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
}

// attempts are those in the track before a fact.
func (w *world) attempts(track string, until *record.Fact) []entry {
	var out []entry
	for _, a := range all[inserted](w) {
		if a.Says.GetTrack() == track && before(a.Fact, until) {
			out = append(out, a)
		}
	}
	return out
}

// sessions are those of the track, in order of their first attempts, as known from the
// facts before until (nil: all).
func (w *world) sessions(track string, until *record.Fact) []*session {
	if known, ok := w.grouped[track]; ok && until == nil {
		return known
	}
	attempts := w.attempts(track, until)
	out := w.referenced(attempts)
	for _, group := range w.unreferenced(attempts) {
		s := w.joined(group, out)
		if s == nil {
			s = &session{key: "without " + group[0].ID}
			out = append(out, s)
		}
		s.attempts = append(s.attempts, group...)
	}
	for _, s := range out {
		sort.SliceStable(s.attempts, func(i, j int) bool { return before(s.attempts[i].Fact, s.attempts[j].Fact) })
	}
	sort.SliceStable(out, func(i, j int) bool { return record.Before(out[i].start(), out[j].start()) })
	seen := map[string]bool{}
	for i, s := range out {
		start := s.start()
		s.track, s.date, s.rules = track, w.date(start), w.rules(start)
		s.homeFacility, s.home = w.home(start), w.homeRules(start)
		if w.mutant == PlaceDecidesTarget {
			s.home = s.rules
		}
		if w.mutant == HomeDecidesPlace {
			s.rules = s.home
		}
		s.takenOver = w.takeover(track, start) != nil
		s.first = i == 0 && !s.takenOver
		s.reused = s.split != "" && seen[s.reference]
		seen[s.reference] = true
	}
	if until == nil {
		w.grouped[track] = out
	}
	return out
}

// referenced gathers the attempts under each session reference.
func (w *world) referenced(attempts []entry) []*session {
	under := map[string][]entry{}
	var order []string
	for _, a := range attempts {
		if !a.HasSession() {
			continue
		}
		ref := reference(a.Fact)
		if under[ref] == nil {
			order = append(order, ref)
		}
		under[ref] = append(under[ref], a)
	}
	var out []*session
	for _, ref := range order {
		list := under[ref]
		if list[len(list)-1].At.Sub(list[0].At) <= 12*time.Hour || w.mutant == SplitIsOne {
			out = append(out, &session{key: ref, reference: ref, referenced: w.date(list[0].Fact), attempts: list})
			continue
		}
		days := map[string]*session{}
		for _, a := range list {
			date := w.date(a.Fact)
			if days[date] == nil {
				days[date] = &session{key: ref + "\x00" + date, reference: ref, referenced: date, split: date}
				out = append(out, days[date])
			}
			days[date].attempts = append(days[date].attempts, a)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return before(out[i].start(), out[j].start()) })
	return out
}

const together = 4 * time.Hour

// unreferenced gathers the attempts without a reference, those of each facility and date.
// Reading: "one of them" is an attempt of that date itself, not one of the day after that
// joined: what joins lies across midnight from it.
func (w *world) unreferenced(attempts []entry) [][]entry {
	type place struct{ facility, date string }
	groups := map[place][]entry{}
	var order []place
	for _, a := range attempts {
		if a.HasSession() {
			continue
		}
		at := place{a.Facility, w.date(a.Fact)}
		yesterday := place{a.Facility, addDays(at.date, -1)}
		for _, e := range groups[yesterday] {
			if w.date(e.Fact) == yesterday.date && a.At.Sub(e.At) <= together && w.mutant != NightIsAnother {
				at = yesterday
				break
			}
		}
		if w.mutant == UnreferencedAlone {
			at.date = a.ID
		}
		if groups[at] == nil {
			order = append(order, at)
		}
		groups[at] = append(groups[at], a)
	}
	var out [][]entry
	for _, at := range order {
		out = append(out, groups[at])
	}
	return out
}

// joined is the session with a reference that attempts without one belong to, nil for none.
// Reading: only attempts with the reference are looked at, not others that joined. The
// date of the attempts without one is that of the first of them.
func (w *world) joined(group []entry, sessions []*session) *session {
	if w.mutant == UnreferencedAlone {
		return nil
	}
	first := group[0]
	var near *session
	for _, s := range sessions {
		var with []entry
		for _, a := range s.attempts {
			if a.HasSession() {
				with = append(with, a)
			}
		}
		if s.reference == "" || with[0].Facility != first.Facility {
			continue
		}
		if w.date(with[0].Fact) == w.date(first.Fact) {
			return s
		}
		for _, a := range with {
			for _, b := range group {
				if near == nil && w.mutant != NightIsAnother && a.At.Sub(b.At).Abs() <= together {
					near = s
				}
			}
		}
	}
	return near
}

// reference is a fact's session reference in one string, empty for none.
func reference(f *record.Fact) string {
	if !f.HasSession() {
		return ""
	}
	return f.SessionSystem + "\x00" + f.SessionValue
}

// belongs reports whether a fact without an attempt belongs to the session: by its reference,
// or, where it has none, to the attempts without one of its local date. Of a reference that is
// split it belongs to the session of its date.
// Reading: a reference is split for such facts if any track splits it; in a track that does
// not they belong to its session if they are of that one's date. A fact that names no track
// (a treatment's start and end) and has no reference
// belongs to the attempts of its date in every track. An attempt that joined those of the
// day before is still one of its own date.
func (w *world) belongs(f *record.Fact, s *session) bool {
	if f.HasSession() {
		return reference(f) == s.reference && (w.anyReference(f) == s.reference || w.date(f) == s.referenced)
	}
	for _, a := range s.attempts {
		if !a.HasSession() && w.date(a.Fact) == w.date(f) {
			return true
		}
	}
	return false
}

// treatment names the session of the track that a fact belongs to, else its reference, else
// its local date. Without a track it is of no session of a track.
func (w *world) treatment(track string, f *record.Fact) string {
	if track == "" {
		if f.HasSession() {
			return w.anyReference(f)
		}
		return "day " + w.date(f)
	}
	for _, s := range w.sessions(track, nil) {
		if w.belongs(f, s) {
			return s.key
		}
	}
	if !f.HasSession() {
		return "day " + w.date(f)
	}
	return w.anyReference(f)
}

// anyReference is a fact's reference, with the date if any track splits it.
func (w *world) anyReference(f *record.Fact) string {
	for _, track := range w.trackNames() {
		for _, s := range w.sessions(track, nil) {
			if s.reference == reference(f) && s.split != "" {
				return reference(f) + "\x00" + w.date(f)
			}
		}
	}
	return reference(f)
}

// preparations are those of the track in the session.
func (w *world) preparations(s *session) []said[*cannularyv1.SitePrepared] {
	var out []said[*cannularyv1.SitePrepared]
	for _, p := range all[*cannularyv1.SitePrepared](w) {
		if p.Says.GetTrack() == s.track && w.belongs(p.Fact, s) {
			out = append(out, p)
		}
	}
	return out
}
