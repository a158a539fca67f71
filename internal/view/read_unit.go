package view

import (
	"context"
	"fmt"
)

// PatientsAt lists the patients whose judgement belongs to a facility, also those who left it.
func (s *Store) PatientsAt(ctx context.Context, facility string) ([]string, error) {
	out, err := all(ctx, s.cards, column[string], `SELECT patient FROM judged WHERE facility = ? ORDER BY patient`, facility)
	if err != nil {
		return nil, fmt.Errorf("view: patients of a facility: %w", err)
	}
	return out, nil
}

// Since lists the events of a patient key after a sequence. Those of the empty key are about no patient, but about a
// facility, its staff or the log.
func (l loader) Since(patient string, after uint64) ([]StoredEvent, error) {
	return l.events(eventColumns+`WHERE e.patient = ? AND e.seq > ? ORDER BY e.seq`, patient, int64(after))
}

// Newest returns the sequence of the newest event of each patient key, zero for a key without one.
func (l loader) Newest(patients []string) (map[string]uint64, error) {
	out := make(map[string]uint64, len(patients))
	for _, key := range patients {
		err := l.each(`SELECT coalesce(max(seq), 0) FROM event WHERE patient = ?`, []any{key}, func(scan func(...any) error) error {
			var seq int64
			err := scan(&seq)
			out[key] = uint64(seq)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}
