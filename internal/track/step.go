package track

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// step is one thing that is folded: a fact, or what a whole session adds up to at the
// moment at which the session comes in.
type step struct {
	fact *record.Fact
	// withdrawn marks a version of a fact that does not stand: it can hold, and nothing else.
	withdrawn bool
	// session is set at the first attempt of a session in a track.
	session *session
	// value is set at the fact that gives a session's haemostasis or venous pressure.
	value bool
}

// session is what happened in one track in one treatment.
type session struct {
	track    string
	key      string // of the treatment: its reference, or the attempt itself
	place    string // where preparations of it are found, see occasion
	facility string
	at       time.Time // of its first attempt
	date     string    // local
	attempts []attempt
	preps    []*record.Fact
	speed    uint32 // mL/min, 0 if not recorded
	speedOf  string // the fact that told it
	// found tells that a peg was found between its first attempt and its final entry.
	found         bool
	complications []cannularyv1.ComplicationKind
}

// attempt is one insertion attempt.
type attempt struct {
	id string
	at time.Time
	*cannularyv1.NeedleInserted
}

func (s *session) final() attempt { return s.attempts[len(s.attempts)-1] }
func (s *session) ground() string { return s.attempts[0].id }

func (a attempt) successful() bool {
	return a.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
}

// used tells that the skin was pierced.
func (a attempt) used() bool {
	return a.GetOutcome() != cannularyv1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED
}
func (a attempt) sharp() bool { return a.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_SHARP }
func (a attempt) blunt() bool { return a.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }

// before is the order of record.Before among attempts.
func (a attempt) before(b attempt) bool {
	switch {
	case !a.at.Equal(b.at):
		return a.at.Before(b.at)
	case a.GetAttemptOrdinal() != b.GetAttemptOrdinal():
		return a.GetAttemptOrdinal() < b.GetAttemptOrdinal()
	}
	return a.id < b.id
}

func (s *session) bluntSuccess() bool { return s.final().blunt() && s.final().successful() }

// firstUsed is the first attempt that pierced the skin, nil if none did.
func (s *session) firstUsed() *attempt {
	for i := range s.attempts {
		if s.attempts[i].used() {
			return &s.attempts[i]
		}
	}
	return nil
}

// easy: one attempt, one pass, no resistance. Anything not recorded is not easy.
func (s *session) easy() bool {
	if len(s.attempts) != 1 {
		return false
	}
	a := s.attempts[0]
	return a.Passes != nil && a.GetPasses() == 1 && a.GetResistance() == cannularyv1.Resistance_RESISTANCE_NONE
}

// treatment is the key of the treatment that a fact belongs to: its reference, else the
// fact alone.
func treatment(f *record.Fact) string {
	if f.HasSession() {
		return f.SessionSystem + "|" + f.SessionValue
	}
	return f.ID
}

// occasion gathers what belongs to one session without being an attempt: by the session's
// reference, else by local date.
func (e *env) occasion(f *record.Fact) string {
	if f.HasSession() {
		return f.SessionSystem + "|" + f.SessionValue
	}
	return "day " + e.date(f)
}

// env is what the fold looks up beside the facts.
type env struct {
	Input
	ratings map[string][]*record.Fact // by member of staff, in the order of record.Before
}

func newEnv(in Input) *env {
	e := &env{Input: in, ratings: map[string][]*record.Fact{}}
	for i := range in.Ratings {
		it := &in.Ratings[i]
		if b, ok := it.Body.(*cannularyv1.CannulatorRated); ok && !it.Void {
			id := record.StaffID(b.GetCannulator())
			e.ratings[id] = append(e.ratings[id], &it.Fact)
		}
	}
	return e
}

// date is the local date of a fact at its facility.
func (e *env) date(f *record.Fact) string { return zone.Date(f.At, e.Zone(f.Facility)) }

// pair is a key of two parts.
type pair struct{ a, b string }

// gathering collects, over all facts, what one session adds up to.
type gathering struct {
	e        *env
	sessions map[pair]*session // track, treatment
	preps    map[pair][]*record.Fact
	seen     map[pair][]cannularyv1.ComplicationKind
	speeds   map[string]speed
	stopped  map[pair]*record.Fact // track, occasion: the longest haemostasis
	pressed  map[pair]*record.Fact // access, occasion: the highest pressure at 200 mL/min
}

type speed struct {
	start, end         uint32
	startFact, endFact string
}

// steps sorts out what is folded, in order.
func (e *env) steps(items []record.Item) []step {
	g := &gathering{e: e, sessions: map[pair]*session{}, preps: map[pair][]*record.Fact{}, seen: map[pair][]cannularyv1.ComplicationKind{},
		speeds: map[string]speed{}, stopped: map[pair]*record.Fact{}, pressed: map[pair]*record.Fact{}}
	out := make([]step, 0, len(items))
	sorted := true
	for i := range items {
		it := &items[i]
		switch {
		case !it.Void && !it.At.After(e.AsOf):
			g.gather(&it.Fact)
			out = append(out, step{fact: &it.Fact})
		case it.Void && holds(it.Body) && !it.At.After(e.AsOf):
			out = append(out, step{fact: &it.Fact, withdrawn: true})
		}
		for k := range it.Superseded {
			if f := &it.Superseded[k]; holds(f.Body) && !f.At.After(e.AsOf) {
				out, sorted = append(out, step{fact: f, withdrawn: true}), false
			}
		}
	}
	if !sorted {
		slices.SortStableFunc(out, func(a, b step) int {
			switch {
			case record.Before(a.fact, b.fact):
				return -1
			case record.Before(b.fact, a.fact):
				return 1
			case a.withdrawn != b.withdrawn && a.withdrawn:
				return -1
			case a.withdrawn != b.withdrawn:
				return 1
			}
			return 0
		})
	}
	for i := range out {
		if !out[i].withdrawn {
			g.complete(&out[i])
		}
	}
	return out
}

// holds tells whether a fact of that kind can open a hold.
func holds(b proto.Message) bool {
	switch b.(type) {
	case *cannularyv1.AccessExamined, *cannularyv1.SiteSignsSeen, *cannularyv1.CultureResulted,
		*cannularyv1.TrackPlanned, *cannularyv1.HoldPlaced:
		return true
	}
	return false
}

func (g *gathering) gather(f *record.Fact) {
	switch b := f.Body.(type) {
	case *cannularyv1.NeedleInserted:
		if b.GetTrack() == "" {
			return
		}
		k := pair{b.GetTrack(), treatment(f)}
		s := g.sessions[k]
		if s == nil {
			s = &session{track: k.a, key: k.b, place: g.e.occasion(f), facility: f.Facility, at: f.At, date: g.e.date(f)}
			g.sessions[k] = s
		}
		s.attempts = append(s.attempts, attempt{f.ID, f.At, b})
	case *cannularyv1.SitePrepared:
		k := pair{b.GetTrack(), g.e.occasion(f)}
		g.preps[k] = append(g.preps[k], f)
		if pegFound(b) {
			g.found(f, b.GetTrack())
		}
	case *cannularyv1.PegRemoved:
		g.found(f, b.GetTrack())
	case *cannularyv1.ComplicationSeen:
		k := pair{b.GetTrack(), g.e.occasion(f)}
		g.seen[k] = append(g.seen[k], b.GetKind())
	case *cannularyv1.SessionStarted:
		if v := b.GetPumpSpeedMillilitresPerMinute(); v > 0 {
			s := g.speeds[g.e.occasion(f)]
			s.start, s.startFact = v, f.ID
			g.speeds[g.e.occasion(f)] = s
		}
	case *cannularyv1.SessionEnded:
		if v := b.GetPumpSpeedMillilitresPerMinute(); v > 0 {
			s := g.speeds[g.e.occasion(f)]
			s.end, s.endFact = v, f.ID
			g.speeds[g.e.occasion(f)] = s
		}
	case *cannularyv1.NeedleRemoved:
		if b.GetTrack() == "" || b.HaemostasisMinutes == nil {
			return
		}
		k := pair{b.GetTrack(), g.e.occasion(f)}
		if old := g.stopped[k]; old == nil || b.GetHaemostasisMinutes() > old.Body.(*cannularyv1.NeedleRemoved).GetHaemostasisMinutes() {
			g.stopped[k] = f
		}
	case *cannularyv1.VenousPressureRead:
		if b.GetPumpSpeedMillilitresPerMinute() != pressureSpeed || b.Gauge == nil || b.PressureMmhg == nil {
			return
		}
		k := pair{b.GetAccess(), g.e.occasion(f)}
		if old := g.pressed[k]; old == nil || b.GetPressureMmhg() > old.Body.(*cannularyv1.VenousPressureRead).GetPressureMmhg() {
			g.pressed[k] = f
		}
	}
}

// found marks the sessions of the track that have begun and not ended: what is found before
// the final entry was found at the session.
func (g *gathering) found(f *record.Fact, track string) {
	k := pair{track, "found"}
	g.preps[k] = append(g.preps[k], f)
}

// complete puts the sums of a session on the step at which they are folded.
func (g *gathering) complete(st *step) {
	switch b := st.fact.Body.(type) {
	case *cannularyv1.NeedleInserted:
		s := g.sessions[pair{b.GetTrack(), treatment(st.fact)}]
		if s == nil || s.attempts[0].id != st.fact.ID {
			return
		}
		s.preps = g.preps[pair{s.track, s.place}]
		s.complications = g.seen[pair{s.track, s.place}]
		sp := g.speeds[s.place]
		s.speed, s.speedOf = sp.start, sp.startFact
		if sp.end > 0 {
			s.speed, s.speedOf = sp.end, sp.endFact
		}
		if len(s.attempts) > 1 {
			last := s.final()
			final := record.Fact{ID: last.id, At: last.at, Kind: record.KindNeedleInserted, Body: last.NeedleInserted}
			for _, f := range g.preps[pair{s.track, "found"}] {
				s.found = s.found || record.Before(st.fact, f) && record.Before(f, &final)
			}
		}
		st.session = s
	case *cannularyv1.NeedleRemoved:
		st.value = b.GetTrack() != "" && g.stopped[pair{b.GetTrack(), g.e.occasion(st.fact)}] == st.fact
	case *cannularyv1.VenousPressureRead:
		st.value = g.pressed[pair{b.GetAccess(), g.e.occasion(st.fact)}] == st.fact
	}
}

// pegFound tells whether a preparation names what became of a peg that was there.
func pegFound(b *cannularyv1.SitePrepared) bool {
	switch b.GetPeg() {
	case cannularyv1.Removal_REMOVAL_WHOLE, cannularyv1.Removal_REMOVAL_PARTLY, cannularyv1.Removal_REMOVAL_NOT_REMOVED:
		return true
	}
	return false
}
