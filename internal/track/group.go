package track

import (
	"slices"
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	// splitAfter is the longest time between attempts in one track under one session reference
	// (ours). The longest treatments, overnight, last some eight hours.
	splitAfter = 12 * time.Hour
	// acrossMidnight is the longest time between attempts without a reference that are one
	// session across a midnight (ours).
	acrossMidnight = 4 * time.Hour
)

// reference returns a fact's session reference, empty for none.
func reference(f *record.Fact) string {
	if f.HasSession() {
		return f.SessionSystem + "|" + f.SessionValue
	}
	return ""
}

// group puts the attempts of each track into sessions.
func (e *env) group(items []record.Item) *gathering {
	g := &gathering{e: e, of: map[string]*session{}, versions: map[string][]*record.Fact{}, days: map[string][]span{},
		split: map[string]bool{}, at: map[pair]*session{},
		preps: map[pair][]*record.Fact{}, pegs: map[string][]*record.Fact{}, seen: map[pair][]cannularyv1.ComplicationKind{},
		speeds: map[string]speed{}, stopped: map[pair]*record.Fact{}, pressed: map[pair]*record.Fact{}}
	referred, loose := map[pair][]attempt{}, map[pair][]attempt{}
	var order, looseOrder []pair
	put := func(in map[pair][]attempt, order *[]pair, k pair, a attempt) {
		if in[k] == nil {
			*order = append(*order, k)
		}
		in[k] = append(in[k], a)
	}
	for i := range items {
		f := &items[i].Fact
		b, ok := f.Body.(*cannularyv1.NeedleInserted)
		if !ok || b.GetTrack() == "" || items[i].Void || e.from(f).After(e.AsOf) {
			continue
		}
		a := attempt{NeedleInserted: b, id: f.ID, at: f.At, from: e.from(f), fact: f}
		if ref := reference(f); ref != "" {
			put(referred, &order, pair{b.GetTrack(), ref}, a)
		} else {
			put(loose, &looseOrder, pair{b.GetTrack(), f.Facility}, a)
		}
	}
	for _, k := range order {
		g.refer(k, referred[k])
	}
	byTrack := map[string][]*session{}
	for _, s := range g.sessions {
		byTrack[s.track] = append(byTrack[s.track], s)
	}
	for _, list := range byTrack {
		slices.SortFunc(list, func(a, b *session) int { return inOrder(a.attempts[0], b.attempts[0]) })
	}
	// A session that other attempts join keeps the date of its first attempt with the reference.
	for _, k := range looseOrder {
		for _, together := range e.together(loose[k]) {
			g.join(k, together, byTrack[k.a])
		}
	}
	for _, s := range g.sessions {
		s.begin(g)
	}
	slices.SortStableFunc(g.sessions, func(a, b *session) int { return inOrder(a.attempts[0], b.attempts[0]) })
	for _, s := range g.sessions {
		for _, place := range s.places {
			if k := (pair{s.track, place}); g.at[k] == nil {
				g.at[k] = s
			}
		}
	}
	return g
}

func inOrder(a, b attempt) int {
	switch {
	case a.before(b):
		return -1
	case b.before(a):
		return 1
	}
	return 0
}

// refer makes the sessions of one reference in a track: one, or one for each local date.
func (g *gathering) refer(k pair, list []attempt) {
	if list[len(list)-1].at.Sub(list[0].at) <= splitAfter {
		g.sessions = append(g.sessions, &session{track: k.a, facility: list[0].fact.Facility, date: g.e.date(list[0].fact), attempts: list})
		return
	}
	g.split[k.b] = true
	var parts []*session
	for _, a := range list {
		date := g.e.date(a.fact)
		i := slices.IndexFunc(parts, func(s *session) bool { return s.date == date })
		if i < 0 {
			i = len(parts)
			parts = append(parts, &session{track: k.a, facility: a.fact.Facility, date: date, reused: i > 0})
		}
		parts[i].attempts = append(parts[i].attempts, a)
	}
	g.sessions = append(g.sessions, parts...)
}

// together divides attempts without a reference, of one track and facility, by local date. An
// attempt soon after the last one of a date, past midnight, belongs to that date.
func (e *env) together(list []attempt) [][]attempt {
	var out [][]attempt
	groups := map[string]int{}
	for i, a := range list {
		date := e.date(a.fact)
		for k := i - 1; k >= 0 && a.at.Sub(list[k].at) <= acrossMidnight; k-- {
			if before := e.date(list[k].fact); before != date {
				date = before
				break
			}
		}
		n, ok := groups[date]
		if !ok {
			n = len(out)
			groups[date], out = n, append(out, nil)
		}
		out[n] = append(out[n], a)
	}
	return out
}

// join adds attempts without a reference to the session with a reference that they belong to. If
// there is none, they become a session.
func (g *gathering) join(k pair, list []attempt, referred []*session) {
	date := g.e.date(list[0].fact)
	own := func(s *session) bool { return s.facility == k.b && s.date == date }
	near := func(s *session) bool {
		return s.facility == k.b && slices.ContainsFunc(s.attempts, func(a attempt) bool {
			return reference(a.fact) != "" && slices.ContainsFunc(list, func(b attempt) bool {
				return a.at.Sub(b.at).Abs() <= acrossMidnight
			})
		})
	}
	for _, is := range []func(*session) bool{own, near} {
		if i := slices.IndexFunc(referred, is); i >= 0 {
			referred[i].attempts = append(referred[i].attempts, list...)
			return
		}
	}
	g.sessions = append(g.sessions, &session{track: k.a, facility: k.b, date: date, attempts: list})
}

// begin sorts the attempts and sets when and where the session began.
func (s *session) begin(g *gathering) {
	slices.SortFunc(s.attempts, inOrder)
	first := s.attempts[0]
	s.at, s.from, s.facility, s.date = first.at, first.from, first.fact.Facility, g.e.date(first.fact)
	s.treated = s.facility + " " + s.date
	for _, a := range slices.Backward(s.attempts) {
		if reference(a.fact) != "" {
			s.treated = g.occasion(a.fact)
		}
	}
	for _, a := range s.attempts {
		g.of[a.id] = s
		if place := g.occasion(a.fact); !s.is(place) {
			s.places = append(s.places, place)
		}
	}
}
