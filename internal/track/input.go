package track

import (
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Input is everything that the fold looks at.
type Input struct {
	// Items are the facts of one patient, all merged identities together, after
	// corrections and voids, in the order of record.Before.
	Items []record.Item
	// Book knows the protocols.
	Book *protocol.Book
	// Zone gives a facility's time zone.
	Zone func(facility string) *time.Location
	// AsOf is the moment that is asked for: later facts are not looked at.
	AsOf time.Time
	// Facility is the one whose protocol and calendar the answer is given by.
	Facility string
}

// session is what happened in one track in one treatment.
type session struct {
	key      string
	facility string
	at       time.Time // of its first attempt
	date     string    // local
	attempts []attempt
}

// attempt is one insertion attempt.
type attempt struct {
	factID string
	at     time.Time
	*cannularyv1.NeedleInserted
}

func (s *session) final() attempt { return s.attempts[len(s.attempts)-1] }

func (a attempt) successful() bool {
	return a.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL
}
func (a attempt) sharp() bool { return a.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_SHARP }
func (a attempt) blunt() bool { return a.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT }

// easy: one attempt, one pass, no resistance. Anything not recorded is not easy.
func (s *session) easy() bool {
	if len(s.attempts) != 1 {
		return false
	}
	a := s.attempts[0]
	return a.Passes != nil && a.GetPasses() == 1 && a.GetResistance() == cannularyv1.Resistance_RESISTANCE_NONE
}

// history is one track's facts, sorted out.
type history struct {
	name     string
	patient  string // the patient key of the first fact that names it
	access   string
	role     cannularyv1.NeedleRole
	plan     *cannularyv1.TrackPlan
	planned  *cannularyv1.TrackPlanned
	planAt   time.Time
	takeover *cannularyv1.TrackTakenOver
	takenAt  time.Time
	sessions []*session
	deputies []deputy
	pegs     []peg
	rests    []rest
	retired  *retirement
	first    time.Time
}

type deputy struct {
	at  time.Time
	who *cannularyv1.StaffIdentifier
}

// peg is one thing recorded of a peg.
type peg struct {
	at   time.Time
	what pegState
}

type pegState int

const (
	pegPlaced pegState = iota
	pegFound
	pegMissing
)

type rest struct {
	at     time.Time
	until  string // local date, empty if open
	resume bool
	reason string
}

type retirement struct {
	at         time.Time
	reason     string
	replacedBy string
}

// sort takes the items apart by track.
func (in Input) histories() []*history {
	byName := map[string]*history{}
	var order []*history
	get := func(name string, it *record.Item) *history {
		h, ok := byName[name]
		if !ok {
			h = &history{name: name, patient: it.PatientKey, first: it.At}
			byName[name] = h
			order = append(order, h)
		}
		return h
	}
	sessions := map[string]*session{}
	for i := range in.Items {
		it := &in.Items[i]
		if it.Void || it.At.After(in.AsOf) {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.TrackPlanned:
			for _, p := range b.GetTracks() {
				h := get(p.GetTrack(), it)
				h.plan, h.planned, h.planAt, h.role, h.access = p, b, it.At, p.GetRole(), b.GetAccess()
			}
		case *cannularyv1.TrackTakenOver:
			h := get(b.GetTrack(), it)
			h.takeover, h.takenAt, h.role, h.access = b, it.At, b.GetRole(), b.GetAccess()
		case *cannularyv1.DeputyNamed:
			h := get(b.GetTrack(), it)
			h.deputies = append(h.deputies, deputy{it.At, b.GetDeputy()})
		case *cannularyv1.NeedleInserted:
			if b.GetTrack() != "" {
				in.insertion(get(b.GetTrack(), it), sessions, it, b)
			}
		case *cannularyv1.PegPlaced:
			h := get(b.GetTrack(), it)
			h.pegs = append(h.pegs, peg{it.At, pegPlaced})
		case *cannularyv1.PegRemoved:
			h := get(b.GetTrack(), it)
			h.pegs = append(h.pegs, peg{it.At, pegFound})
		case *cannularyv1.PegFoundMissing:
			h := get(b.GetTrack(), it)
			h.pegs = append(h.pegs, peg{it.At, pegMissing})
		case *cannularyv1.SitePrepared:
			h := get(b.GetTrack(), it)
			switch b.GetPeg() {
			case cannularyv1.Removal_REMOVAL_WHOLE, cannularyv1.Removal_REMOVAL_PARTLY, cannularyv1.Removal_REMOVAL_NOT_REMOVED:
				h.pegs = append(h.pegs, peg{it.At, pegFound})
			case cannularyv1.Removal_REMOVAL_NONE_PRESENT:
				h.pegs = append(h.pegs, peg{it.At, pegMissing})
			}
		case *cannularyv1.TrackRested:
			h := get(b.GetTrack(), it)
			h.rests = append(h.rests, rest{at: it.At, until: b.GetUntil(), reason: b.GetReason()})
		case *cannularyv1.TrackResumed:
			h := get(b.GetTrack(), it)
			h.rests = append(h.rests, rest{at: it.At, resume: true})
		case *cannularyv1.TrackRetired:
			h := get(b.GetTrack(), it)
			h.retired = &retirement{it.At, b.GetReason(), b.GetReplacedBy()}
		case *cannularyv1.AccessRetired:
			for _, h := range order {
				if h.access == b.GetAccess() && h.retired == nil {
					h.retired = &retirement{at: it.At, reason: "its access is no longer used"}
				}
			}
		}
	}
	return order
}

// insertion adds an attempt to its session in the track. Without a session reference the
// attempt stands alone.
func (in Input) insertion(h *history, sessions map[string]*session, it *record.Item, b *cannularyv1.NeedleInserted) {
	if h.role == cannularyv1.NeedleRole_NEEDLE_ROLE_UNSPECIFIED {
		h.role = b.GetRole()
	}
	if h.access == "" {
		h.access = b.GetAccess()
	}
	key := it.ID
	if it.HasSession() {
		key = record.SessionKey(it.SessionSystem, it.SessionValue)
	}
	s, ok := sessions[h.name+"\x00"+key]
	if !ok {
		s = &session{key: key, facility: it.Facility, at: it.At, date: zone.Date(it.At, in.Zone(it.Facility))}
		sessions[h.name+"\x00"+key] = s
		h.sessions = append(h.sessions, s)
	}
	s.attempts = append(s.attempts, attempt{it.ID, it.At, b})
}
