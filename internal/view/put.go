package view

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"time"

	"cannulary/fhir"
)

// Put stores a rendered resource. If its content differs from the newest version's, it
// becomes a new version with the given lastUpdated, the old one goes to the history and
// the search values are replaced; else nothing happens. version is the newest version.
func (t *Tx) Put(r fhir.Resource, seq uint64, updated time.Time) (version int, changed bool, err error) {
	sum := sha256.Sum256(r.Body)
	hash := sum[:16]
	var rid int64
	var old []byte
	found, err := t.row(`SELECT rid, version, hash FROM resource WHERE type = ? AND id = ?`, []any{r.Type, r.ID}, &rid, &version, &old)
	if err != nil {
		return 0, false, err
	}
	if found && bytes.Equal(old, hash) {
		return version, false, nil
	}
	version++
	body := fhir.WithMeta(r.Body, r.ID, version, updated)
	if !found {
		st, err := t.stmt(`INSERT INTO resource (type, id, patient, version, updated, seq, hash, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`)
		if err != nil {
			return 0, false, err
		}
		res, err := st.ExecContext(t.ctx, r.Type, r.ID, r.Patient, version, millis(updated), int64(seq), hash, body)
		if err != nil {
			return 0, false, fmt.Errorf("store %s/%s: %w", r.Type, r.ID, err)
		}
		if rid, err = res.LastInsertId(); err != nil {
			return 0, false, err
		}
	} else {
		if err := t.exec(`INSERT INTO history (rid, version, updated, seq, body) SELECT rid, version, updated, seq, body FROM resource WHERE rid = ?`, rid); err != nil {
			return 0, false, err
		}
		if err := t.exec(`UPDATE resource SET patient = ?, version = ?, updated = ?, seq = ?, hash = ?, body = ? WHERE rid = ?`,
			r.Patient, version, millis(updated), int64(seq), hash, body, rid); err != nil {
			return 0, false, err
		}
		for _, q := range []string{`DELETE FROM token WHERE rid = ?`, `DELETE FROM period WHERE rid = ?`, `DELETE FROM reference WHERE rid = ?`, `DELETE FROM quantity WHERE rid = ?`} {
			if err := t.exec(q, rid); err != nil {
				return 0, false, err
			}
		}
	}
	return version, true, t.index(rid, r.Index)
}

// index stores the search values of one resource.
func (t *Tx) index(rid int64, x fhir.Index) error {
	for _, v := range x.Tokens {
		if err := t.exec(`INSERT INTO token (param, code, system, rid) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`, v.Param, v.Code, v.System, rid); err != nil {
			return err
		}
	}
	for _, v := range x.Dates {
		if err := t.exec(`INSERT INTO period (param, low, high, rid) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`, v.Param, millis(v.Low), millis(v.High), rid); err != nil {
			return err
		}
	}
	for _, v := range x.References {
		if err := t.exec(`INSERT INTO reference (param, target, rid) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, v.Param, v.Type+"/"+v.ID, rid); err != nil {
			return err
		}
	}
	for _, v := range x.Quantities {
		if err := t.exec(`INSERT INTO quantity (param, value, system, code, rid) VALUES (?, ?, ?, ?, ?)`, v.Param, v.Value, v.System, v.Code, rid); err != nil {
			return err
		}
	}
	return nil
}

// SetFacility stores name and zone.
func (t *Tx) SetFacility(id, zone, name string) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, ?, ?, '', 0, 0, 0)
		ON CONFLICT (id) DO UPDATE SET zone = excluded.zone, name = excluded.name`, id, zone, name)
}

// HeardFrom notes a sender's message from the facility.
func (t *Tx) HeardFrom(id string, logged, occurred time.Time) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, 'UTC', '', '', ?, ?, 1)
		ON CONFLICT (id) DO UPDATE SET last_logged = max(last_logged, excluded.last_logged),
		last_occurred = max(last_occurred, excluded.last_occurred), events = events + 1`, id, millis(logged), millis(occurred))
}

// DayStarted notes a local day's start.
func (t *Tx) DayStarted(id, date string) error {
	return t.exec(`UPDATE facility SET day = max(day, ?) WHERE id = ?`, date, id)
}

// Facilities lists the facilities as the transaction sees them.
func (t *Tx) Facilities() ([]Facility, error) { return facilities(t.ctx, t.tx) }

// strings reads one text column.
func (t *Tx) strings(q string, args ...any) ([]string, error) {
	rows, err := t.tx.QueryContext(t.ctx, q, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// UnitsOfPatient lists the units that hold facts posted for a patient key.
func (t *Tx) UnitsOfPatient(key string) ([]string, error) {
	return t.strings(`SELECT DISTINCT unit FROM event WHERE patient = ? ORDER BY unit`, key)
}

// UnitsOfFacility lists the units that hold facts of a facility.
func (t *Tx) UnitsOfFacility(id string) ([]string, error) {
	return t.strings(`SELECT DISTINCT unit FROM event WHERE facility = ? ORDER BY unit`, id)
}

// TopicsWith lists the topics that begin with prefix.
func (t *Tx) TopicsWith(prefix string) ([]string, error) {
	return t.strings(`SELECT DISTINCT topic FROM topic WHERE topic >= ? AND topic < ? ORDER BY topic`, prefix, prefix+"\U0010FFFF")
}

// Savepoint begins a part of the transaction that can be taken back on its own.
func (t *Tx) Savepoint() error { return t.exec(`SAVEPOINT one_event`) }

// Release keeps what was done since Savepoint.
func (t *Tx) Release() error { return t.exec(`RELEASE one_event`) }

// TakeBack forgets what was done since Savepoint.
func (t *Tx) TakeBack() error {
	if err := t.exec(`ROLLBACK TO one_event`); err != nil {
		return err
	}
	return t.Release()
}

// TrackRow is the stored judgement of one track.
type TrackRow struct {
	Patient, Track, Facility, Role, Stage string
	Counted, Target                       int
	Held                                  bool
}

// HoldRow is an open hold.
type HoldRow struct {
	ID, Patient, Facility, Rule string
	Since                       time.Time
}

// MarkDirty notes that the patient's tracks are to be judged again.
func (t *Tx) MarkDirty(patient string) error {
	return t.exec(`INSERT INTO dirty (patient) VALUES (?) ON CONFLICT DO NOTHING`, patient)
}

// MarkFacilityDirty marks every patient with a judged track at the facility.
func (t *Tx) MarkFacilityDirty(facility string) error {
	return t.exec(`INSERT INTO dirty (patient) SELECT DISTINCT patient FROM track WHERE facility = ? ON CONFLICT DO NOTHING`, facility)
}

// Dirty lists patients to be judged again, at most limit.
func (t *Tx) Dirty(limit int) ([]string, error) {
	return t.strings(`SELECT patient FROM dirty ORDER BY patient LIMIT ?`, limit)
}

// SetJudgement replaces the stored judgement of all identities in group by that of its
// survivor, and takes them off the dirty list.
func (t *Tx) SetJudgement(group []string, tracks []TrackRow, holds []HoldRow) error {
	for _, key := range group {
		for _, q := range []string{`DELETE FROM track WHERE patient = ?`, `DELETE FROM hold WHERE patient = ?`, `DELETE FROM dirty WHERE patient = ?`} {
			if err := t.exec(q, key); err != nil {
				return err
			}
		}
	}
	for _, r := range tracks {
		if err := t.exec(`INSERT INTO track (patient, track, facility, role, stage, counted, target, held) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			r.Patient, r.Track, r.Facility, r.Role, r.Stage, r.Counted, r.Target, r.Held); err != nil {
			return err
		}
	}
	for _, r := range holds {
		if err := t.exec(`INSERT INTO hold (id, patient, facility, rule, since) VALUES (?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
			r.ID, r.Patient, r.Facility, r.Rule, millis(r.Since)); err != nil {
			return err
		}
	}
	return nil
}
