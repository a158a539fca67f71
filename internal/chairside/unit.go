package chairside

import (
	"context"
	"slices"
	"sync"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/fault"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/unit"
	"cannulary/internal/view"
)

// Units keeps, for each patient, what the figures of a unit take from the judgement. A patient is
// judged again when an event of that patient has come, when one has come that may concern every
// patient (a protocol, a rating, a facility), and on the day on which the calendar may change the
// judgement. So the first question after a start judges everybody, at some 40 ms for two years of
// a patient's record, and the ones after it hardly anybody. It does so one patient after another,
// because the cards of those who needle now come first. It is safe for concurrent use.
type Units struct {
	Cards *Service

	mu    sync.Mutex
	known map[string]judgedPatient
	// common is the newest event that may concern every patient, seen how far the events about no
	// patient were looked through for it.
	common, seen uint64
}

// judgedPatient is a patient's tracks, judged when the view had those newest events.
type judgedPatient struct {
	own, common uint64
	due         string // the local date on which the calendar may change them, empty for none
	tracks      []unit.Track
}

// concernsAll reports whether an event about no patient may change judgements. Days are told by
// due; counts and signals of surveillance change none.
func concernsAll(e *view.StoredEvent) (bool, error) {
	facts, err := view.Facts([]view.StoredEvent{*e})
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(facts, func(f record.Fact) bool {
		switch f.BodyKind() {
		case record.KindDayStarted, record.KindGenesis, record.KindCensusCounted, record.KindThresholdSet, record.KindSignalAcknowledged:
			return false
		}
		return true
	}), nil
}

// follow looks through the events about no patient that have come since it did so last.
func (u *Units) follow(l view.Loader) error {
	list, err := l.Since("", u.seen)
	if err != nil {
		return err
	}
	for i := range list {
		all, err := concernsAll(&list[i])
		if err != nil {
			return err
		}
		if u.seen = list[i].Seq; all {
			u.common = u.seen
		}
	}
	return nil
}

// Dossier is what the pages of a unit are made from.
type Dossier struct {
	Facility view.Facility
	Zone     *time.Location
	Today    zone.Day
	Protocol protocol.Parameters // in force today
	Tracks   []unit.Track
	Ratings  []record.Item // of all staff
	Judged   int           // patients who were judged for this answer; the others were known
}

// Of gathers a facility. Its errors are faults: Invalid if the facility is not named and there are
// several, NotFound if it is not registered.
func (u *Units) Of(ctx context.Context, facility string) (Dossier, error) {
	f, err := u.facility(ctx, facility)
	if err != nil {
		return Dossier{}, err
	}
	s := u.Cards
	d := Dossier{Facility: f, Zone: s.Zone(f.ID)}
	d.Today = zone.DayOf(s.Now(), d.Zone)
	keys, err := s.Store.PatientsAt(ctx, f.ID)
	if err != nil {
		return d, err
	}
	ids := s.State.Identities()
	var all []string
	for _, k := range keys {
		all = append(all, ids.Group(k)...)
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.known == nil {
		u.known = map[string]judgedPatient{}
	}
	err = s.Store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		if err := u.follow(l); err != nil {
			return err
		}
		newest, err := l.Newest(all)
		if err != nil {
			return err
		}
		moment, err := dossier.At(l, s.State, time.Time{})
		if err != nil {
			return err
		}
		d.Protocol = moment.Protocols.On(f.ID, d.Today.String())
		if d.Ratings, err = dossier.Ratings(l); err != nil {
			return err
		}
		for _, k := range keys {
			if ids.Survivor(k) != k {
				continue // with the patient it was merged into
			}
			own := uint64(0)
			for _, g := range ids.Group(k) {
				own = max(own, newest[g])
			}
			if p, ok := u.known[k]; ok && p.own == own && p.common == u.common && (p.due == "" || d.Today.String() < p.due) {
				d.Tracks = append(d.Tracks, p.tracks...)
				continue
			}
			if ctx.Err() != nil {
				return fault.Wrap(fault.Unavailable, ctx.Err(), "the request ended before the unit was judged",
					"ask again: what was judged is kept")
			}
			p, err := moment.Patient(k)
			if err != nil {
				return err
			}
			p.Input.AsOf = s.Now()
			j := track.FoldLives(p.Input)
			tracks := unit.Tracks(&j, k, d.Zone)
			u.known[k] = judgedPatient{own, u.common, j.Due, tracks}
			d.Tracks = append(d.Tracks, tracks...)
			d.Judged++
		}
		return nil
	})
	return d, err
}

// facility finds the facility, which may be left out where there is one.
func (u *Units) facility(ctx context.Context, asked string) (view.Facility, error) {
	all, err := u.Cards.Store.Facilities(ctx)
	if err != nil {
		return view.Facility{}, err
	}
	all = slices.DeleteFunc(all, func(f view.Facility) bool { return f.Zone == "" })
	var known []string
	for _, f := range all {
		if f.ID == asked || asked == "" && len(all) == 1 {
			return f, nil
		}
		known = append(known, f.ID)
	}
	return view.Facility{}, fault.Facility(asked, known)
}
