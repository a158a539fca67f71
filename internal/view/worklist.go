package view

import (
	"context"
	"encoding/json"
	"fmt"

	"cannulary/internal/worklist"
)

// SetWorklist replaces what work lists need of all identities in group by that of their survivor;
// nil leaves none.
func (t *Tx) SetWorklist(group []string, survivor string, p *worklist.Person) error {
	for _, key := range group {
		if key == survivor && p != nil {
			continue
		}
		if err := t.exec(`DELETE FROM worklist WHERE patient = ?`, key); err != nil {
			return err
		}
	}
	if p == nil {
		return nil
	}
	data, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("work list of %s: %w", survivor, err)
	}
	return t.exec(`INSERT INTO worklist (patient, data) VALUES (?, ?) ON CONFLICT (patient) DO UPDATE SET data = excluded.data`,
		survivor, string(data))
}

// Worklist is what work lists need of all patients, by patient key.
func (s *Store) Worklist(ctx context.Context) (map[string]*worklist.Person, error) {
	rows, err := s.cards.QueryContext(ctx, `SELECT patient, data FROM worklist`)
	if err != nil {
		return nil, fmt.Errorf("read work lists: %w", err)
	}
	defer func() { _ = rows.Close() }()
	out := map[string]*worklist.Person{}
	for rows.Next() {
		var key string
		var data []byte
		if err := rows.Scan(&key, &data); err != nil {
			return nil, fmt.Errorf("read work lists: %w", err)
		}
		p := &worklist.Person{}
		if err := json.Unmarshal(data, p); err != nil {
			return nil, fmt.Errorf("read the work list of %s: %w", key, err)
		}
		out[key] = p
	}
	return out, rows.Err()
}
