package projector

import (
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// judgeAtOnce bounds the patients judged in one transaction.
const judgeAtOnce = 200

// Judge folds a patient's tracks, all merged identities together. It returns the input,
// so that a card can be made of it, with AsOf and Facility still open: Facility is
// suggested as that of the newest fact.
func Judge(l view.Loader, ids *record.Identities, zoneOf func(string) *time.Location, key string, knownAt time.Time) (track.Input, []record.Fact, error) {
	group := ids.Group(key)
	events, err := l.Patients(group)
	if err != nil {
		return track.Input{}, nil, err
	}
	in := map[string]bool{}
	for _, k := range group {
		in[k] = true
	}
	facts, err := view.Closure(l, events, func(a, b *record.Fact) bool { return in[a.PatientKey] && in[b.PatientKey] })
	if err != nil {
		return track.Input{}, nil, err
	}
	kept := facts[:0]
	for _, f := range facts {
		if in[f.PatientKey] {
			kept = append(kept, f)
		}
	}
	known := record.Known(kept, knownAt)
	items := record.Effective(known)
	out := track.Input{Items: items, Zone: zoneOf}
	facilities := map[string]bool{}
	for i := range items {
		if !items[i].Void {
			out.Facility = items[i].Facility
		}
		facilities[items[i].Facility] = true
	}
	var adopted []record.Fact
	for f := range facilities {
		events, err := l.Topic(topicProtocol + f)
		if err != nil {
			return track.Input{}, nil, err
		}
		fs, err := view.Closure(l, events, func(a, b *record.Fact) bool { return a.Facility == b.Facility })
		if err != nil {
			return track.Input{}, nil, err
		}
		adopted = append(adopted, fs...)
	}
	out.Book = protocol.NewBook(record.Effective(record.Known(adopted, knownAt)))
	return out, known, nil
}

// judge folds the tracks of patients that changed and stores the result, as of the later
// of the newest fact and the newest day. It changes nothing but what operations count.
func (p *Projector) judge(tx *view.Tx) error {
	for {
		keys, err := tx.Dirty(judgeAtOnce)
		if err != nil || len(keys) == 0 {
			return err
		}
		days, err := p.days(tx)
		if err != nil {
			return err
		}
		done := map[string]bool{}
		for _, key := range keys {
			s := p.identities.Survivor(key)
			if !done[s] {
				done[s] = true
				if err := p.judgeOne(tx, s, days); err != nil {
					return err
				}
			}
			if err := tx.SetJudged(key); err != nil {
				return err
			}
		}
	}
}

// days is, by facility, the end of the newest day that has started there.
func (p *Projector) days(tx *view.Tx) (map[string]time.Time, error) {
	fs, err := tx.Facilities()
	if err != nil {
		return nil, err
	}
	out := map[string]time.Time{}
	for _, f := range fs {
		if d, err := time.ParseInLocation(time.DateOnly, f.Day, p.zone(f.ID)); err == nil {
			out[f.ID] = d
		}
	}
	return out, nil
}

func (p *Projector) judgeOne(tx *view.Tx, key string, days map[string]time.Time) error {
	in, _, err := Judge(tx.Load(), p.identities, p.zone, key, time.Time{})
	if err != nil {
		return err
	}
	in.AsOf = days[in.Facility]
	for i := range in.Items {
		if at := in.Items[i].At; !in.Items[i].Void && at.After(in.AsOf) {
			in.AsOf = at
		}
	}
	if track.Where(in.Items, in.AsOf).Left {
		// Whoever left the unit is on no list of it; the card still answers.
		return tx.SetJudgement(p.identities.Group(key), nil, nil)
	}
	states, holds := track.Fold(in)
	var rows []view.TrackRow
	for _, s := range states {
		rows = append(rows, view.TrackRow{Patient: key, Track: s.Name, Facility: in.Facility, Role: roleName(s.Role), Stage: string(s.Stage),
			Counted: s.Counted, Target: s.Target + len(s.Extras), Held: len(s.Held) > 0})
	}
	var open []view.HoldRow
	for _, h := range holds {
		open = append(open, view.HoldRow{ID: h.ID, Patient: key, Facility: in.Facility, Rule: h.Rule, Since: h.Since})
	}
	return tx.SetJudgement(p.identities.Group(key), rows, open)
}

func roleName(r cannularyv1.NeedleRole) string {
	switch r {
	case cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL:
		return "arterial"
	case cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS:
		return "venous"
	}
	return ""
}
