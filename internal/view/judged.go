package view

import (
	"slices"
	"time"

	"cannulary/internal/track/rule"
)

// TrackRow is the stored judgement of one track.
type TrackRow struct {
	Patient, Track, Facility, Role, Stage string
	Counted, Target                       int
	Session                               int // of its course that comes next, 0 if it has no number
	Again                                 int // as track.State.Again
	OneMore                               bool
	Held                                  bool
	// Due is that of the patient's judgement, as read.
	Due string
	// Needle is the next needle, Why the reason, and Caution what of it is serious; see track.Next.
	Needle, Why, Caution string
}

// HoldRow is an open hold, or several that are shown and counted as one: see
// track.Judgement.Shown.
type HoldRow struct {
	ID, Patient, Facility, Rule string
	Since                       time.Time
	Text                        string // what was seen
	Place                       string // what is held: "access NAME, track NAME"
	// Away tells that the patient left the unit and was not admitted again.
	Away bool
	// GivenUp tells that all that is held is no longer used.
	GivenUp bool
	// Count is how many holds are shown as this one; ID and Since are the oldest one's.
	Count int
	// Day is the local date of a hold whose time is not known, else empty.
	Day string
	// NotNeedled tells that nobody needles what is held: it was given up, or it is a catheter.
	NotNeedled bool
}

// Stands reports whether somebody has to decide about the hold: not where all that it covers
// is no longer used, but always after a bacteraemia, which concerns the patient.
func (h HoldRow) Stands() bool { return !h.GivenUp || h.Rule == rule.Bacteraemia }

// Rings reports whether the hold has an alert of its own: not where nobody needles what it
// covers, but always after a bacteraemia, which concerns the patient.
func (h HoldRow) Rings() bool { return !h.NotNeedled || h.Rule == rule.Bacteraemia }

// ResourceKey names a resource.
type ResourceKey struct{ Type, ID string }

// Judgement is what is stored of one patient's judgement beside the resources.
type Judgement struct {
	Patient, Facility string
	// Due is the first local date on which the calendar may change it, empty for none.
	Due    string
	Tracks []TrackRow
	Holds  []HoldRow
	// Creators are the ids of those whose rating it rests on, Maturity those of the maturity
	// Observations.
	Creators, Maturity []string
}

// SetJudgement replaces the stored judgement of all identities in group by that of its
// survivor.
func (t *Tx) SetJudgement(group []string, j Judgement) error {
	for _, key := range group {
		for _, q := range []string{`DELETE FROM track WHERE patient = ?`, `DELETE FROM hold WHERE patient = ?`,
			`DELETE FROM judged WHERE patient = ?`,
			`DELETE FROM creator WHERE patient = ?`, `DELETE FROM maturity WHERE patient = ?`} {
			if err := t.exec(q, key); err != nil {
				return err
			}
		}
	}
	if j.Facility == "" { // an identity without facts of its own
		return nil
	}
	if err := t.exec(`INSERT INTO judged (patient, facility, due) VALUES (?, ?, ?)`, j.Patient, j.Facility, j.Due); err != nil {
		return err
	}
	for _, r := range j.Tracks {
		if err := t.exec(
			`INSERT INTO track (patient, track, facility, role, stage, counted, target, session, again, one_more, held, needle,
				why, caution) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			r.Patient, r.Track, r.Facility, r.Role, r.Stage, r.Counted, r.Target, r.Session, r.Again, r.OneMore, r.Held, r.Needle,
			r.Why, r.Caution); err != nil {
			return err
		}
	}
	for _, r := range j.Holds {
		// After a reversed merge the row may still be the survivor's, who is judged later.
		if err := t.exec(
			`INSERT INTO hold (id, patient, facility, rule, since, text, place, away, given_up, count, day, not_needled) VALUES (?, ?,
				?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET patient = excluded.patient, facility = excluded.facility, rule = excluded.rule,
				since = excluded.since, text = excluded.text,
			place = excluded.place, away = excluded.away, given_up = excluded.given_up, count = excluded.count, day = excluded.day,
				not_needled = excluded.not_needled`,
			r.ID, r.Patient, r.Facility, r.Rule, millis(r.Since), r.Text, r.Place, r.Away, r.GivenUp, r.Count, r.Day,
			r.NotNeedled); err != nil {
			return err
		}
	}
	for _, s := range j.Creators {
		if err := t.exec(`INSERT INTO creator (staff, patient) VALUES (?, ?) ON CONFLICT DO NOTHING`, s, j.Patient); err != nil {
			return err
		}
	}
	for _, id := range j.Maturity {
		if err := t.exec(`INSERT INTO maturity (patient, id) VALUES (?, ?) ON CONFLICT DO NOTHING`, j.Patient, id); err != nil {
			return err
		}
	}
	return nil
}

// FindingRow is a finding that stands or stood.
type FindingRow struct {
	ID, Patient, Rule string
	Since             time.Time
}

// SetFinding stores a finding.
func (t *Tx) SetFinding(f FindingRow) error {
	return t.exec(`INSERT INTO finding (id, patient, rule, since) VALUES (?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET patient = excluded.patient, rule = excluded.rule, since = excluded.since`, f.ID, f.Patient,
		f.Rule, millis(f.Since))
}

// DropFinding removes a finding that no fact supports any more.
func (t *Tx) DropFinding(id string) error { return t.exec(`DELETE FROM finding WHERE id = ?`, id) }

// Judged lists the resources that judgements of the patient keys gave, also those that
// were taken back since.
func (t *Tx) Judged(group []string) ([]ResourceKey, error) {
	var out []ResourceKey
	for _, key := range group {
		for _, typ := range []string{"DetectedIssue", "Flag"} {
			ids, err := t.idsOf(key, typ)
			if err != nil {
				return nil, err
			}
			for _, id := range ids {
				out = append(out, ResourceKey{typ, id})
			}
		}
		ids, err := t.strings(`SELECT id FROM maturity WHERE patient = ? ORDER BY id`, key)
		if err != nil {
			return nil, err
		}
		for _, id := range ids {
			out = append(out, ResourceKey{"Observation", id})
		}
	}
	return out, nil
}

// idsOf lists the ids of a patient's resources of a type.
func (t *Tx) idsOf(patient, typ string) ([]string, error) {
	var out []string
	p, err := t.newest("Patient", patient)
	if err != nil || p.rid == 0 {
		return nil, err
	}
	err = t.load().each(`SELECT id FROM resource WHERE patient = ? AND type = (SELECT id FROM word WHERE text = ?)`, []any{p.rid, typ},
		func(scan func(...any) error) error {
			var id idText
			err := scan(&id)
			out = append(out, string(id))
			return err
		})
	slices.Sort(out)
	return out, err
}

// Body is the newest version of a resource as it is stored; nil where there is none.
func (t *Tx) Body(k ResourceKey) ([]byte, error) {
	var seq, slot int64
	found, err := t.row(`SELECT seq, slot FROM resource WHERE type = (SELECT id FROM word WHERE text = ?) AND id = ?`,
		[]any{k.Type, idValue(k.ID)}, &seq, &slot)
	if err != nil || !found {
		return nil, err
	}
	return t.body(uint64(seq), int(slot))
}

// PatientsOfFacility lists the patient keys with facts of the facility.
func (t *Tx) PatientsOfFacility(id string) ([]string, error) {
	return t.strings(`SELECT DISTINCT patient FROM event WHERE facility = ? AND patient != '' ORDER BY patient`, id)
}

// LastReported lists the judged patients with the newest events, at most so many; the newest is the last.
func (t *Tx) LastReported(most int) ([]string, error) {
	return t.strings(`SELECT patient FROM (SELECT j.patient, (SELECT max(e.seq) FROM event e WHERE e.patient = j.patient) AS last
		FROM judged j ORDER BY last DESC LIMIT ?) ORDER BY last`, most)
}

// PatientsDue lists the patients judged at the facility whose judgement the calendar may
// have changed by the local date.
func (t *Tx) PatientsDue(facility, date string) ([]string, error) {
	return t.strings(`SELECT patient FROM judged WHERE facility = ? AND due != '' AND due <= ? ORDER BY patient`, facility, date)
}

// PatientsOfCreator lists the patients whose judgement rests on the rating of a member of
// staff (record.StaffID).
func (t *Tx) PatientsOfCreator(staff string) ([]string, error) {
	return t.strings(`SELECT patient FROM creator WHERE staff = ? ORDER BY patient`, staff)
}
