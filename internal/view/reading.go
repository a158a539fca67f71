package view

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
)

// Reading runs f on one state of the view, however many events arrive meanwhile.
func (s *Store) Reading(ctx context.Context, f func(l Loader, c Checkpoint) error) error {
	tx, err := s.cards.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("read the view: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	c, _, err := readCheckpoint(ctx, tx)
	if err != nil {
		return fmt.Errorf("read the view: %w", err)
	}
	return f(loader{ctx: ctx, q: tx.QueryContext, opener: s.opener}, c)
}

// HasPatient reports whether anything is known of a patient key.
func (s *Store) HasPatient(ctx context.Context, key string) (bool, error) {
	var n int
	err := s.cards.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM resource
		WHERE type = (SELECT id FROM word WHERE text = 'Patient')
		AND id = ? LIMIT 1)`, idValue(key)).Scan(&n)
	return n > 0, err
}

// Quarantined is how many events could not be understood.
func (s *Store) Quarantined(ctx context.Context) (n int, err error) {
	if err := s.cards.QueryRowContext(ctx, `SELECT count(*) FROM quarantine`).Scan(&n); err != nil {
		return 0, fmt.Errorf("count what could not be understood: %w", err)
	}
	return n, nil
}

// Tracks lists the stored judgements, by facility, patient and track.
func (s *Store) Tracks(ctx context.Context) ([]TrackRow, error) {
	out, err := all(ctx, s.cards, func(scan func(...any) error) (r TrackRow, err error) {
		err = scan(&r.Patient, &r.Track, &r.Facility, &r.Role, &r.Stage, &r.Counted, &r.Target, &r.Session, &r.Again, &r.OneMore, &r.Held,
			&r.Needle, &r.Why, &r.Caution, &r.Due)
		return r, err
	}, `SELECT t.patient, t.track, t.facility, t.role, t.stage, t.counted, t.target, t.session, t.again, t.one_more, t.held, t.needle,
			t.why, t.caution, coalesce(j.due, '') FROM track t LEFT JOIN judged j ON j.patient = t.patient
			ORDER BY t.facility, t.patient, t.role, t.track`)
	if err != nil {
		return nil, fmt.Errorf("read tracks: %w", err)
	}
	return out, nil
}

// Holds lists the open holds as they are shown and counted, oldest first.
func (s *Store) Holds(ctx context.Context) ([]HoldRow, error) {
	out, err := all(ctx, s.cards, func(scan func(...any) error) (r HoldRow, err error) {
		var since int64
		err = scan(&r.ID, &r.Patient, &r.Facility, &r.Rule, &since, &r.Text, &r.Place, &r.Away, &r.GivenUp, &r.Count, &r.Day, &r.NotNeedled)
		r.Since = fromMillis(since)
		return r, err
	}, `SELECT id, patient, facility, rule, since, text, place, away, given_up, count, day, not_needled FROM hold ORDER BY since, id`)
	if err != nil {
		return nil, fmt.Errorf("read holds: %w", err)
	}
	return out, nil
}

// PatientsByIdentifier lists the ids of Patients that publish the identifier.
func (s *Store) PatientsByIdentifier(ctx context.Context, system, value string) ([]string, error) {
	ids, err := all(ctx, s.cards, column[idText], `SELECT r.id FROM term t CROSS JOIN link l ON l.target = -t.id AND l.param = 0
		CROSS JOIN resource r ON r.rid = l.rid
		WHERE t.kind = 't' AND t.param = 'identifier' AND t.code = ? AND t.system = ?
			AND r.type = (SELECT id FROM word WHERE text = 'Patient')`, value, system)
	if err != nil {
		return nil, fmt.Errorf("find patient: %w", err)
	}
	var out []string
	for _, id := range ids {
		out = append(out, string(id))
	}
	slices.Sort(out)
	return out, nil
}
