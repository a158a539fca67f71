package view

import (
	"context"
	"fmt"
)

// PatientsAt lists the patients whose judgement belongs to a facility, also those who left it.
func (s *Store) PatientsAt(ctx context.Context, facility string) ([]string, error) {
	rows, err := s.cards.QueryContext(ctx, `SELECT patient FROM judged WHERE facility = ? ORDER BY patient`, facility)
	if err != nil {
		return nil, fmt.Errorf("view: patients of a facility: %w", err)
	}
	defer func() { _ = rows.Close() }()
	var out []string
	for rows.Next() {
		var p string
		if err := rows.Scan(&p); err != nil {
			return nil, fmt.Errorf("view: patients of a facility: %w", err)
		}
		out = append(out, p)
	}
	return out, rows.Err()
}

// OfNobody lists the events after a sequence that are about no patient, but about a facility, its
// staff or the log.
func (s *Store) OfNobody(ctx context.Context, after uint64) ([]StoredEvent, error) {
	l := loader{ctx: ctx, q: s.cards.QueryContext}
	list, err := l.events(eventColumns+`WHERE e.patient = '' AND e.seq > ? ORDER BY e.seq`, int64(after))
	if err != nil {
		return nil, fmt.Errorf("view: events about no patient: %w", err)
	}
	return list, nil
}

// Newest returns the sequence of the newest event of each patient key.
func (s *Store) Newest(ctx context.Context, keys []string) (map[string]uint64, error) {
	st, err := s.cards.PrepareContext(ctx, `SELECT coalesce(max(seq), 0) FROM event WHERE patient = ?`)
	if err != nil {
		return nil, fmt.Errorf("view: newest events: %w", err)
	}
	defer func() { _ = st.Close() }()
	out := make(map[string]uint64, len(keys))
	for _, k := range keys {
		var seq int64
		if err := st.QueryRowContext(ctx, k).Scan(&seq); err != nil {
			return nil, fmt.Errorf("view: newest events: %w", err)
		}
		out[k] = uint64(seq)
	}
	return out, nil
}
