package reference

import (
	"sort"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// entry is one attempt to insert a needle.
type entry = said[*cannularyv1.NeedleInserted]

// session is the attempts in one track under one session reference, or one attempt without.
type session struct {
	track    string
	key      string
	attempts []entry
	date     string
	rules    protocol.Parameters
	// takenOver tells that the track was taken over before; first that it is the first
	// session of a track that was not.
	takenOver bool
	first     bool
}

func (s *session) start() *record.Fact { return s.attempts[0].Fact }
func (s *session) final() entry        { return s.attempts[len(s.attempts)-1] }

// used are the attempts in which a needle was used.
func (s *session) used() []entry {
	var out []entry
	for _, a := range s.attempts {
		if a.Says.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED {
			out = append(out, a)
		}
	}
	return out
}

func blunt(a entry) bool { return a.Says.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }
func sharp(a entry) bool { return a.Says.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_SHARP }
func successful(a entry) bool {
	return a.Says.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
}

// attempts are those in the track before a fact.
func (w *world) attempts(track string, until *record.Fact) []entry {
	var out []entry
	for _, a := range all[*cannularyv1.NeedleInserted](w) {
		if a.Says.GetTrack() == track && before(a.Fact, until) {
			out = append(out, a)
		}
	}
	return out
}

// sessions are those of the track, in order of their first attempts, as known from the
// facts before until (nil: all).
func (w *world) sessions(track string, until *record.Fact) []*session {
	var out []*session
	known := map[string]*session{}
	for _, a := range w.attempts(track, until) {
		key := "attempt " + a.ID
		if a.HasSession() {
			key = reference(a.Fact)
		}
		s := known[key]
		if s == nil {
			s = &session{track: track, key: key, date: w.date(a.Fact), rules: w.rules(a.Fact)}
			s.takenOver = w.takeover(track, a.Fact) != nil
			s.first = len(out) == 0 && !s.takenOver
			known[key] = s
			out = append(out, s)
		}
		s.attempts = append(s.attempts, a)
	}
	sort.SliceStable(out, func(i, j int) bool { return record.Before(out[i].start(), out[j].start()) })
	return out
}

// reference is a fact's session reference in one string, empty for none.
func reference(f *record.Fact) string {
	if !f.HasSession() {
		return ""
	}
	return f.SessionSystem + "\x00" + f.SessionValue
}

// belongs tells whether a fact without an attempt belongs to the session: by its reference,
// or, where neither has one, by the local date.
// Reading: a fact that names no track (a treatment's start and end) and has no reference
// belongs to the attempts of its date in every track.
func (w *world) belongs(f *record.Fact, s *session) bool {
	if f.HasSession() {
		return reference(f) == s.key
	}
	return !s.start().HasSession() && w.date(f) == s.date
}

// treatment names the session that a fact of a series belongs to: its reference, else its
// local date.
func (w *world) treatment(f *record.Fact) string {
	if f.HasSession() {
		return reference(f)
	}
	return "day " + w.date(f)
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
