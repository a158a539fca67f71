package track

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// step is one thing to fold: a fact, or a whole session at the moment of its first attempt.
type step struct {
	fact *record.Fact
	// withdrawn marks a version of a fact that does not stand. It can open a hold and does
	// nothing else.
	withdrawn bool
	// place is the fact's occasion.
	place string
	// of is the session of an attempt. first marks the attempt with which the session is folded.
	of    *session
	first bool
	// value marks the fact that gives the haemostasis or the venous pressure of a session.
	value bool
}

// session is one track in one treatment.
type session struct {
	track    string
	places   []string // the occasions of its attempts, under which its preparations are found
	treated  string   // names the treatment, the same for all its tracks: its reference, else facility and date
	facility string
	at, from time.Time // of its first attempt
	date     string    // local
	attempts []attempt
	preps    []*record.Fact
	speed    uint32 // mL/min, 0 if not recorded
	speedOf  string // the fact that gives it
	// found reports that a peg was found between its first attempt and its final entry.
	found         bool
	complications []cannularyv1.ComplicationKind
	// reused reports that its reference had an earlier session in the track.
	reused bool
	// held reports that a needle was used in it under a hold, or unreviewed in a track that had not been used for long.
	// doubted reports one on a day on which a hold began at an unknown time. A fact after its first attempt can set all.
	held, unreviewed, doubted bool
}

// barred says why no needle was to be used in a session that is held.
func (s *session) barred() string {
	if s.unreviewed {
		return "no review was closed after the track had not been used for long"
	}
	return "a hold was open"
}

// is reports whether an occasion is one of the session's.
func (s *session) is(place string) bool { return slices.Contains(s.places, place) }

// attempt is one insertion attempt.
type attempt struct {
	*cannularyv1.NeedleInserted
	id string
	at time.Time
	// from is the moment from which it counts: see env.from.
	from time.Time
	fact *record.Fact
}

func (s *session) final() attempt { return s.attempts[len(s.attempts)-1] }
func (s *session) ground() string { return s.attempts[0].id }

func (a attempt) successful() bool {
	return a.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
}

// used reports that the skin was pierced.
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

// firstUsed returns the first attempt that pierced the skin, nil if none did.
func (s *session) firstUsed() *attempt {
	for i := range s.attempts {
		if s.attempts[i].used() {
			return &s.attempts[i]
		}
	}
	return nil
}

// easy reports one attempt, one pass and no resistance. A detail that is not recorded is not
// easy.
func (s *session) easy() bool {
	if len(s.attempts) != 1 {
		return false
	}
	a := s.attempts[0]
	return a.Passes != nil && a.GetPasses() == 1 && a.GetResistance() == cannularyv1.Resistance_RESISTANCE_NONE
}

// env is what the fold looks up beside the facts.
type env struct {
	Input
	ratings map[string][]*record.Fact // by member of staff, in the order of record.Before
	lives   bool                      // keep the whole life of every track
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

// date returns the local date of a fact at its facility.
func (e *env) date(f *record.Fact) string { return zone.Date(f.At, e.Zone(f.Facility)) }

// day returns the local day of a fact that is known to the day only; ok is false for any other
// fact.
func (e *env) day(f *record.Fact) (from, to time.Time, ok bool) {
	if f.Precision != cannularyv1.TimePrecision_TIME_PRECISION_DAY {
		return from, to, false
	}
	date := e.date(f)
	return e.midnight(date, f.Facility), e.midnight(after(date, 1), f.Facility), true
}

// from returns the moment from which a fact counts: its clinical time, or the start of its day.
func (e *env) from(f *record.Fact) time.Time {
	if start, _, ok := e.day(f); ok {
		return start
	}
	return f.At
}

// pair is a map key of two parts: the name of a track or an access, and what is kept apart in it.
type pair struct{ a, b string }

// gathering holds what all facts add up to, by session.
type gathering struct {
	e        *env
	sessions []*session
	of       map[string]*session                     // by attempt
	versions map[string][]*record.Fact               // by fact that was corrected, all its contents
	days     map[string][]span                       // by hold: days on which it began at an unknown time
	split    map[string]bool                         // references that are split by date
	at       map[pair]*session                       // by track and occasion, the earliest
	preps    map[pair][]*record.Fact                 // by track and occasion
	pegs     map[string][]*record.Fact               // by track, the facts that found a peg
	seen     map[pair][]cannularyv1.ComplicationKind // by track and occasion
	speeds   map[string]speed
	stopped  map[pair]*record.Fact // track, occasion: the longest haemostasis
	pressed  map[pair]*record.Fact // access, occasion: the highest pressure at 200 mL/min
}

// speed holds the latest facts of a session that state the pump speed.
type speed struct{ start, end *record.Fact }

// key names the session of a track that an occasion belongs to, else the occasion.
func (g *gathering) key(track, place string) pair {
	if s := g.at[pair{track, place}]; s != nil {
		return pair{track, "session " + s.attempts[0].id}
	}
	return pair{track, place}
}

// occasion names the session of a fact: by its session reference, with the local date if that
// reference is split, else by local date.
func (g *gathering) occasion(f *record.Fact) string {
	switch ref := reference(f); {
	case ref == "":
		return "day " + g.e.date(f)
	case g.split[ref]:
		return ref + "|" + g.e.date(f)
	default:
		return ref
	}
}

// steps returns what is folded, in order, and the sessions in it.
func (e *env) steps(items []record.Item) ([]step, *gathering) {
	g := e.group(items)
	out := make([]step, 0, len(items))
	sorted := true
	for i := range items {
		it := &items[i]
		if len(it.Superseded) > 0 && holds(it.Body) {
			list := []*record.Fact{&it.Fact}
			for k := range it.Superseded {
				list = append(list, &it.Superseded[k])
			}
			g.versions[it.ID] = list
		}
		switch {
		case e.from(&it.Fact).After(e.AsOf):
		case !it.Void:
			g.gather(&it.Fact)
			out = append(out, step{fact: &it.Fact, place: g.occasion(&it.Fact)})
		case holds(it.Body):
			out = append(out, step{fact: &it.Fact, withdrawn: true})
		}
		for k := range it.Superseded {
			if f := &it.Superseded[k]; holds(f.Body) && !e.from(f).After(e.AsOf) {
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
	return out, g
}

// holds reports whether a fact of that kind can open a hold.
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
	case *cannularyv1.SitePrepared:
		k := pair{b.GetTrack(), g.occasion(f)}
		g.preps[k] = append(g.preps[k], f)
		if pegFound(b) {
			g.found(f, b.GetTrack())
		}
	case *cannularyv1.PegRemoved:
		g.found(f, b.GetTrack())
	case *cannularyv1.ComplicationSeen:
		k := pair{b.GetTrack(), g.occasion(f)}
		g.seen[k] = append(g.seen[k], b.GetKind())
	case *cannularyv1.SessionStarted:
		if b.GetPumpSpeedMillilitresPerMinute() > 0 {
			s := g.speeds[g.occasion(f)]
			s.start = f
			g.speeds[g.occasion(f)] = s
		}
	case *cannularyv1.SessionEnded:
		if b.GetPumpSpeedMillilitresPerMinute() > 0 {
			s := g.speeds[g.occasion(f)]
			s.end = f
			g.speeds[g.occasion(f)] = s
		}
	case *cannularyv1.NeedleRemoved:
		if b.GetTrack() == "" || b.HaemostasisMinutes == nil {
			return
		}
		k := g.key(b.GetTrack(), g.occasion(f))
		if old := g.stopped[k]; old == nil || b.GetHaemostasisMinutes() > old.Body.(*cannularyv1.NeedleRemoved).GetHaemostasisMinutes() {
			g.stopped[k] = f
		}
	case *cannularyv1.VenousPressureRead:
		if b.GetPumpSpeedMillilitresPerMinute() != pressureSpeed || b.Gauge == nil || b.PressureMmhg == nil {
			return
		}
		k := pair{b.GetAccess(), g.occasion(f)}
		if old := g.pressed[k]; old == nil || b.GetPressureMmhg() > old.Body.(*cannularyv1.VenousPressureRead).GetPressureMmhg() {
			g.pressed[k] = f
		}
	}
}

// found records a fact that found a peg. A peg that is found before the final entry of a session
// was found at that session.
func (g *gathering) found(f *record.Fact, track string) {
	g.pegs[track] = append(g.pegs[track], f)
}

// complete sets on a step what its session adds up to.
func (g *gathering) complete(st *step) {
	switch b := st.fact.Body.(type) {
	case *cannularyv1.NeedleInserted:
		s := g.of[st.fact.ID]
		if st.of = s; s == nil || s.attempts[0].id != st.fact.ID {
			return
		}
		st.first = true
		var told speed
		for _, place := range s.places {
			s.preps = append(s.preps, g.preps[pair{s.track, place}]...)
			s.complications = append(s.complications, g.seen[pair{s.track, place}]...)
			told.start, told.end = latest(told.start, g.speeds[place].start), latest(told.end, g.speeds[place].end)
		}
		if f := told.start; f != nil {
			s.speed, s.speedOf = f.Body.(*cannularyv1.SessionStarted).GetPumpSpeedMillilitresPerMinute(), f.ID
		}
		if f := told.end; f != nil {
			s.speed, s.speedOf = f.Body.(*cannularyv1.SessionEnded).GetPumpSpeedMillilitresPerMinute(), f.ID
		}
		if len(s.places) > 1 {
			slices.SortFunc(s.preps, func(a, b *record.Fact) int {
				if record.Before(a, b) {
					return -1
				}
				return 1
			})
		}
		if len(s.attempts) > 1 {
			final := s.final().fact
			for _, f := range g.pegs[s.track] {
				s.found = s.found || record.Before(st.fact, f) && record.Before(f, final)
			}
		}
	case *cannularyv1.NeedleRemoved:
		st.value = b.GetTrack() != "" && g.stopped[g.key(b.GetTrack(), st.place)] == st.fact
	case *cannularyv1.VenousPressureRead:
		st.value = g.pressed[pair{b.GetAccess(), st.place}] == st.fact
	}
}

func latest(a, b *record.Fact) *record.Fact {
	if a == nil || b != nil && record.Before(a, b) {
		return b
	}
	return a
}

// pegFound reports whether a preparation says what became of a peg.
func pegFound(b *cannularyv1.SitePrepared) bool {
	switch b.GetPeg() {
	case cannularyv1.Removal_REMOVAL_WHOLE, cannularyv1.Removal_REMOVAL_PARTLY, cannularyv1.Removal_REMOVAL_NOT_REMOVED:
		return true
	}
	return false
}
