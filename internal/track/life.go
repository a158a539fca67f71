package track

import (
	"math"
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// FoldLives returns what Fold returns, and the whole life of every track with it. It takes more
// memory than Fold, and no second look at the facts.
func FoldLives(in Input) Judgement {
	e := newEnv(in)
	e.lives = true
	return e.fold(e.begin(), in.Items).answer(e)
}

// Life is everything that was folded for one track.
type Life struct {
	// Sessions are oldest first. A treatment in which no needle of the track is recorded is one
	// of them too, from the first session in the track until it was given up.
	Sessions []Session
	// GivenUp is when the track was retired, zero while it is in use.
	GivenUp time.Time
}

// Session is one session in a track's life.
type Session struct {
	Visit
	// Used reports that a needle pierced the skin in it. Easy is the rule's easy entry.
	Used, Easy bool
	// Stage, Number and Needed are those of the track after the session: its stage, the sessions
	// that count, and the sessions that are asked for, extra ones included.
	Stage          Stage
	Number, Needed int
	// Reference is the track's angle after the session, nil if it is not known. Tolerance is that
	// of the protocol, in degrees. AngleAsked reports that the protocol asks for the same angle.
	Reference  *float64
	Tolerance  float64
	AngleAsked bool
	// Listed says whether creator or deputies made all attempts; unspecified if the record
	// cannot tell.
	Listed cannularyv1.Answer
	// Past reports a session in trial or after in which a needle was used. Clean reports that
	// every used needle of it was blunt and successful.
	Past, Clean bool
	// Held reports that a needle was used under a hold.
	Held     bool
	Bleeding *Bleeding
	// Pressure is the highest venous pressure of the access at 200 mL/min in the session, mmHg,
	// nil if none was read so. PressureGauge is the gauge that it was read with.
	Pressure      *float64
	PressureGauge uint32
	// PegAsked reports that the protocol asks for a peg between the session before and this one.
	// PegFound is PegIn if it was found, PegOut if it was missed, else PegUnknown. PegLeft
	// reports that a peg was left after this session.
	PegAsked bool
	PegFound Peg
	PegLeft  bool
	// A treatment without a needle in the track has no attempts. Missed is why it did not take
	// place, Elsewhere the access that it went through, where that is another one.
	Missed    string
	Elsewhere string

	place string // its treatment, where it is no session of the track
}

// Bleeding is how long it took until the bleeding stopped after a session, beside what is usual
// for the patient in the track by then.
type Bleeding struct {
	Minutes float64
	Usual   *trend.Band // nil with too few values before
	Longer  bool        // than usual
}

// treatment is a session of the patient, whatever was needled in it.
type treatment struct {
	place, date, access, missed string
	at                          time.Time
}

// live adds a session to the life of its track. found and asked are those of the peg before it.
func (m *machine) live(c *course, s *session, p, home *protocol.Parameters, v Visit, found Peg, asked bool) {
	x := Session{Visit: v, Used: s.firstUsed() != nil, Easy: s.easy(), Number: c.counted, Needed: c.target(home) + len(c.extras),
		Reference: c.reference, Tolerance: p.AngleTolerance, AngleAsked: p.NeedsSameAngle, Listed: c.allListed(s),
		Held: s.held, PegFound: found, PegAsked: asked}
	x.Past, x.Clean = c.trial && x.Used, s.clean()
	st := State{Target: c.target(home), Mend: c.mend(home)}
	if m.held(c) {
		st.Held = []string{"held"}
	}
	x.Stage = c.stage(&st, home)
	for _, place := range s.places {
		f := m.g.pressed[pair{c.access, place}]
		if f == nil {
			continue
		}
		b := f.Body.(*cannularyv1.VenousPressureRead)
		if x.Pressure == nil || b.GetPressureMmhg() > *x.Pressure {
			x.Pressure, x.PressureGauge = new(b.GetPressureMmhg()), b.GetGauge()
		}
	}
	x.place = s.ground()
	c.life = append(c.life, x) // FoldLives begins with none, so no other fold shares it
}

// allListed reports whether creator or deputies made every attempt of a session.
func (c *course) allListed(s *session) cannularyv1.Answer {
	out := cannularyv1.Answer_ANSWER_YES
	for _, a := range s.attempts {
		switch listed, known := c.listed(a); {
		case listed:
		case known:
			return cannularyv1.Answer_ANSWER_NO
		default:
			out = cannularyv1.Answer_ANSWER_UNSPECIFIED
		}
	}
	return out
}

// clean reports that every used needle was blunt and successful, and the last one was used.
func (s *session) clean() bool {
	return s.bluntSuccess() && !slices.ContainsFunc(s.attempts, func(a attempt) bool { return a.used() && !(a.blunt() && a.successful()) })
}

// bled adds a haemostasis to the session that it belongs to. It is called before the value enters
// the series.
func (m *machine) bled(e *env, c *course, of pair, minutes float64) {
	if !e.lives {
		return
	}
	b := &Bleeding{Minutes: minutes}
	if usual, ok := trend.Usual(c.stopping.before); ok {
		b.Usual, b.Longer = &usual, minutes > usual.Limit
	}
	for i := range slices.Backward(c.life) {
		if x := &c.life[i]; "session "+x.place == of.b {
			x.Bleeding = b
			return
		}
	}
}

// treated adds a treatment of the patient.
func (m *machine) treated(e *env, f *record.Fact, place string) {
	if !e.lives {
		return
	}
	t := treatment{place: place, date: e.date(f), at: f.At}
	switch b := f.Body.(type) {
	case *cannularyv1.SessionStarted:
		t.access = b.GetAccess()
	case *cannularyv1.SessionMissed:
		if t.missed = Words(b.GetReason().String(), "MISSED_REASON_"); b.GetReason() == 0 {
			t.missed = "no reason recorded"
		}
	}
	m.treatments = append(m.treatments, t)
}

// pegLeft adds a peg to the session after which it was left.
func (c *course) pegLeft() {
	if n := len(c.life); n > 0 {
		c.life[n-1].PegLeft = true
	}
}

// pegBefore returns what is known of the peg between the session before and this one. If the rule
// asks for one, it is what the rule knows: since the latest session that was not blunt.
func (c *course) pegBefore(s *session, asked bool) Peg {
	switch {
	case c.foundNow || s.found || asked && c.pegFound:
		return PegIn
	case c.peg == PegOut:
		return PegOut
	}
	return PegUnknown
}

// lifeOf returns the life of a track. A treatment on a day with a session in the track is that
// session.
func (m *machine) lifeOf(c *course) *Life {
	l := &Life{Sessions: slices.Clone(c.life), GivenUp: c.retiredAt}
	if len(c.life) == 0 {
		return l
	}
	dates := map[string]bool{}
	for i := range c.life {
		dates[c.life[i].Date] = true
	}
	first := c.life[0].At
	for _, t := range m.treatments {
		if dates[t.date] || t.at.Before(first) || !c.retiredAt.IsZero() && !t.at.Before(c.retiredAt) {
			continue
		}
		dates[t.date] = true
		x := Session{Visit: Visit{Date: t.date, At: t.at, Tip: None}, Missed: t.missed, place: t.place}
		if t.access != "" && c.access != "" && t.access != c.access {
			x.Elsewhere = t.access
		}
		l.Sessions = append(l.Sessions, x)
	}
	slices.SortStableFunc(l.Sessions, func(a, b Session) int { return a.At.Compare(b.At) })
	var stage Stage
	number, needed := 0, 0
	for i := range l.Sessions {
		if x := &l.Sessions[i]; x.Attempts == 0 {
			x.Stage, x.Number, x.Needed = stage, number, needed
		} else {
			stage, number, needed = x.Stage, x.Number, x.Needed
		}
	}
	return l
}

// Off reports whether the angle of the final entry is out of the track's tolerance.
func (s *Session) Off() bool {
	return s.AngleAsked && s.Angle != nil && s.Reference != nil && beyond(math.Abs(*s.Angle-*s.Reference), s.Tolerance)
}
