package view

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Facility is what is known of one facility.
type Facility struct {
	ID, Zone, Name string
	Day            string // the newest day that was started there, YYYY-MM-DD; empty if none
	LastLogged     time.Time
	LastOccurred   time.Time
	Events         int
}

// TypeCount is how many resources of a type there are.
type TypeCount struct {
	Type  string
	Count int
}

// Counts is what a view holds.
type Counts struct {
	Checkpoint Checkpoint
	Empty      bool        // nothing was projected yet
	Resources  []TypeCount // by type
	Facilities []Facility  // by id
	Events     int
	Quarantine int // events that could not be understood
	Aside      int // events that belong into no view
}

// Counts counts what the view holds, from one state of it.
func (s *Store) Counts(ctx context.Context) (out Counts, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		var ok bool
		if out.Checkpoint, ok, err = readCheckpoint(ctx, tx); err != nil {
			return err
		}
		out.Empty = !ok
		if err := tx.QueryRowContext(ctx,
			`SELECT (SELECT count(*) FROM event), (SELECT count(*) FROM quarantine), (SELECT count(*) FROM aside)`).
			Scan(&out.Events, &out.Quarantine, &out.Aside); err != nil {
			return err
		}
		if out.Resources, err = typeCounts(ctx, tx); err != nil {
			return err
		}
		out.Facilities, err = facilities(ctx, tx)
		return err
	})
	return out, err
}

func typeCounts(ctx context.Context, tx *sql.Tx) ([]TypeCount, error) {
	return all(ctx, tx, func(scan func(...any) error) (t TypeCount, err error) {
		err = scan(&t.Type, &t.Count)
		return t, err
	}, `SELECT w.text, n.count FROM (SELECT type, count(*) AS count FROM resource WHERE type > 0
		GROUP BY type) n JOIN word w ON w.id = n.type ORDER BY w.text`)
}

const facilityColumns = `SELECT id, zone, name, day, last_logged, last_occurred, events FROM facility `

func scanFacility(scan func(...any) error) (f Facility, err error) {
	var logged, occurred int64
	err = scan(&f.ID, &f.Zone, &f.Name, &f.Day, &logged, &occurred, &f.Events)
	f.LastLogged, f.LastOccurred = fromMillis(logged), fromMillis(occurred)
	return f, err
}

func facilities(ctx context.Context, q queryer) ([]Facility, error) {
	return all(ctx, q, scanFacility, facilityColumns+`ORDER BY id`)
}

// Facilities lists the facilities by id; see Only.
func (s *Store) Facilities(ctx context.Context) ([]Facility, error) {
	out, err := facilities(ctx, s.cards)
	if err != nil {
		return nil, fmt.Errorf("view: facilities: %w", err)
	}
	return slices.DeleteFunc(out, func(f Facility) bool { return !s.lists(f.ID) }), nil
}

// Facility reads one facility; ok is false where it is not known.
func (s *Store) Facility(ctx context.Context, id string) (f Facility, ok bool, err error) {
	f, err = scanFacility(s.cards.QueryRowContext(ctx, facilityColumns+`WHERE id = ?`, id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return Facility{}, false, nil
	}
	if err != nil {
		return Facility{}, false, fmt.Errorf("view: facility: %w", err)
	}
	return f, true, nil
}
