package view

import (
	"context"
	"fmt"
	"time"
)

// FindingsOf counts the findings of a rule that stand or stood and began in [from, to), by the
// facility where the patient is judged. A finding that no fact supports any more is not counted.
func (s *Store) FindingsOf(ctx context.Context, rule string, from, to time.Time) (map[string]int, error) {
	rows, err := s.r.QueryContext(ctx, `SELECT j.facility, count(*) FROM finding f JOIN judged j ON j.patient = f.patient
		WHERE f.rule = ? AND f.since >= ? AND f.since < ? GROUP BY j.facility`, rule, millis(from), millis(to))
	if err != nil {
		return nil, fmt.Errorf("view: count findings: %w", err)
	}
	defer func() { _ = rows.Close() }()
	out := map[string]int{}
	for rows.Next() {
		var f string
		var n int
		if err := rows.Scan(&f, &n); err != nil {
			return nil, fmt.Errorf("view: count findings: %w", err)
		}
		out[f] = n
	}
	return out, rows.Err()
}
