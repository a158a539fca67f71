package view

import (
	"context"
	"fmt"
	"time"
)

// FindingsOf counts, by facility, the findings of a rule that stand or stood (not those
// taken back) and began in [from, to).
func (s *Store) FindingsOf(ctx context.Context, rule string, from, to time.Time) (map[string]int, error) {
	rows, err := s.r.QueryContext(ctx, `SELECT j.facility, count(*) FROM term t
		CROSS JOIN term_use u ON u.term = t.id
		CROSS JOIN resource r ON r.rid = u.rid AND r.type = 'DetectedIssue'
		CROSS JOIN period p ON p.rid = r.rid AND p.param = 'identified' AND p.low >= ? AND p.low < ?
		CROSS JOIN judged j ON j.patient = r.patient
		WHERE t.kind = 't' AND t.param = 'code' AND t.code = ?
			AND NOT EXISTS (SELECT 1 FROM token x WHERE x.rid = r.rid AND +x.param = 'status' AND +x.code = 'cancelled')
		GROUP BY j.facility`, millis(from), millis(to), "rule-"+rule)
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
