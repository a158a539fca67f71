package needling

import (
	"sort"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// unused is what becomes of a track that nobody needles, since its trial began and until its
// next takeover.
type unused struct {
	*world
	track string

	last     *record.Fact // the last used attempt, else the takeover
	run      *record.Fact // the takeover, or the used attempt that ended the caution before, else the first one
	lastDate string
	reviewed string // date of the review that ended the latest stop
	caution  *finding
	stop     *finding
	silent   bool

	found []finding
	stops map[string]bool // by attempt: the stop stands when it comes in
	// changes are the moments at which the stop begins to stand, or stands no more.
	changes []change
}

type change struct {
	after  *record.Fact
	stands bool
}

// unusedSince follows the track through all facts since its trial began.
// Reading: a needle before a takeover is left behind by it.
func (w *world) unusedSince(track string, since *record.Fact) *unused {
	key := track + " " + since.ID
	if u := w.idle[key]; u != nil {
		return u
	}
	u := &unused{world: w, track: track, stops: map[string]bool{}}
	w.idle[key] = u
	first := w.knownAt(since)
	u.start(since, first)
	passed := since.At
	var end *record.Fact
	for n := first; n < len(w.facts); n++ {
		f := w.facts[n]
		u.pass(n, passed, f.At)
		passed = f.At
		u.judge(n, f.At)
		if u.standing() {
			u.stops[f.ID] = true
		}
		if t, ok := f.Body.(*cannularyv1.TrackTakenOver); ok && t.GetTrack() == track {
			end = f
			break
		}
		u.take(f, n)
		u.judge(n+1, f.At)
	}
	if end == nil {
		u.pass(len(w.facts), passed, w.in.AsOf)
		u.judge(len(w.facts), w.in.AsOf)
	}
	u.close(u.caution, end)
	u.close(u.stop, end)
	return u
}

// start finds the needle, or the takeover, from which it counts.
func (u *unused) start(since *record.Fact, known int) {
	if _, ok := since.Body.(*cannularyv1.TrackTakenOver); ok {
		u.last, u.lastDate = since, u.localDate(since.At, u.stayAt(known, since.At).Facility)
		u.run = since
		return
	}
	t := u.takeover(u.track, since)
	if t != nil {
		u.run = t.Fact
	}
	for _, a := range u.attempts(u.track, nil) {
		if notAfter(a.Fact, since) && (t == nil || before(t.Fact, a.Fact)) {
			u.needle(a)
		}
	}
	if u.last == nil {
		u.last, u.lastDate = since, u.localDate(since.At, u.stayAt(known, since.At).Facility)
	}
}

// needle notes an attempt if a needle was used.
func (u *unused) needle(a entry) bool {
	if !used(a) && u.mutant != UnusedSinceAnything {
		return false
	}
	for _, s := range u.sessions(u.track, nil) {
		for _, own := range s.attempts {
			if own.ID == a.ID {
				u.last, u.lastDate = a.Fact, u.localDate(a.At, s.homeFacility)
				if u.run == nil || u.caution != nil || u.mutant == UnusedNamedByLast {
					u.run = a.Fact
				}
			}
		}
	}
	return true
}

// pass judges each date that begins between two facts, by what n facts tell.
func (u *unused) pass(n int, from, to time.Time) {
	var begins []time.Time
	for _, facility := range u.facilities() {
		for date := addDays(u.localDate(from, facility), 1); date <= u.localDate(to, facility); date = addDays(date, 1) {
			begins = append(begins, u.midnight(date, facility))
		}
	}
	sort.Slice(begins, func(i, j int) bool { return begins[i].Before(begins[j]) })
	for _, at := range begins {
		if at.Before(to) {
			u.judge(n, at)
			u.note(&record.Fact{At: at})
		}
	}
}

func (w *world) facilities() []string {
	var out []string
	for _, f := range w.facts {
		out = append(out, f.Facility)
	}
	return distinct(out)
}

// judge looks at the track at a moment by what the first n facts tell.
func (u *unused) judge(n int, at time.Time) {
	m := u.stayAt(n, at)
	date := u.localDate(at, m.Facility)
	rules := u.in.Book.On(m.Facility, date)
	u.silent = u.isSilent(n, at, date, rules)
	if u.silent {
		return
	}
	begins := u.midnight(date, m.Facility)
	gone := days(u.lastDate, date)
	if u.caution == nil && gone > rules.UnusedCaution {
		u.caution = &finding{rule: rule.UnusedLong, severity: rule.Caution, track: u.track, aspect: "caution", ground: u.last,
			named: u.run, since: begins}
	}
	if u.stop == nil && gone > rules.UnusedStop && (u.reviewed == "" || days(u.reviewed, date) > rules.UnusedStop) {
		u.stop = &finding{rule: rule.UnusedLong, severity: rule.Stop, track: u.track, aspect: "stop", ground: u.last, named: u.run,
			since: begins}
	}
}

func (u *unused) isSilent(n int, at time.Time, date string, rules protocol.Parameters) bool {
	var known *record.Fact // the latest that is known
	if n > 0 {
		known = u.facts[n-1]
	}
	away := !u.stayAt(n, at).Open && len(u.stays[n].List()) > 0 && u.mutant != AwayIsNotSilent
	rests := u.resting(u.track, known, date) && u.mutant != RestIsNotSilent
	return away || rests || rules.SharpOnly || u.retiredAfter(u.track, known)
}

// retiredAfter reports whether the track is given up once at has happened.
func (w *world) retiredAfter(track string, at *record.Fact) bool {
	for _, r := range w.retiring(track) {
		if at != nil && notAfter(r, at) {
			return true
		}
	}
	return false
}

// take lets a fact, the n-th, do what it does.
func (u *unused) take(f *record.Fact, n int) {
	switch b := f.Body.(type) {
	case *cannularyv1.NeedleInserted:
		if b.GetTrack() == u.track && u.needle(entry{f, b}) {
			u.close(u.caution, f)
			u.caution = nil
			if u.mutant == NeedleEndsStop {
				u.close(u.stop, f)
				u.stop = nil
			}
		}
	case *cannularyv1.ReviewClosed:
		previous := f
		if n > 0 {
			previous = u.facts[n-1]
		}
		if c := u.world.reviewed(u.track, previous); c == nil || c.ID != f.ID {
			break
		}
		if u.stop != nil || u.mutant == EarlyReviewEndsStop {
			u.reviewed = u.localDate(f.At, u.stayAt(n+1, f.At).Facility)
		}
		u.close(u.stop, f)
		u.stop = nil
		if u.reviewed != "" && u.mutant == ReviewedForGood {
			u.reviewed = "9999-01-01"
		}
	}
	m := u.stayAt(n+1, f.At)
	date := u.localDate(f.At, m.Facility)
	u.silent = u.isSilent(n+1, f.At, date, u.in.Book.On(m.Facility, date))
	u.note(f)
}

// standing reports whether the stop stands.
func (u *unused) standing() bool { return u.stop != nil && !u.silent }

func (u *unused) note(after *record.Fact) {
	if last := len(u.changes) - 1; last < 0 || u.changes[last].stands != u.standing() {
		u.changes = append(u.changes, change{after, u.standing()})
	}
}

// close takes what was found into the answer: over by a fact, else as it is at the end.
// Reading: what is silent at the moment asked for is over since that moment.
func (u *unused) close(f *finding, by *record.Fact) {
	if f == nil {
		return
	}
	f.ends = by
	if by == nil && u.silent {
		f.cleared = u.in.AsOf
	}
	u.found = append(u.found, *f)
}

// eras are the beginnings of the track's trials, one until the next takeover.
func (w *world) eras(track string) []*record.Fact {
	var out []*record.Fact
	for _, st := range w.history(track).steps {
		if st.trialSince != nil && (len(out) == 0 || out[len(out)-1].ID != st.trialSince.ID) {
			out = append(out, st.trialSince)
		}
	}
	return out
}

// findUnused raises what a long time without a needle shows.
func (w *world) findUnused(track string) {
	for _, since := range w.eras(track) {
		for _, f := range w.unusedSince(track, since).found {
			w.raise(f)
		}
	}
}

// stopped reports whether a stop of a track not used stands at the end.
func (w *world) stopped(track string) bool {
	since := w.history(track).condition.trialSince
	return since != nil && w.unusedSince(track, since).standing()
}

// stoppedAfter reports whether one stands once at has happened.
func (w *world) stoppedAfter(track string, at *record.Fact) bool {
	stands := false
	for _, since := range w.eras(track) {
		for _, c := range w.unusedSince(track, since).changes {
			if notAfter(c.after, at) {
				stands = c.stands
			}
		}
	}
	return stands
}
