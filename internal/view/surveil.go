package view

import (
	"encoding/json"
	"fmt"
	"time"

	"cannulary/internal/surveil"
)

// SetSurveillance replaces what surveillance knows of all identities in group by that of
// their survivor.
func (t *Tx) SetSurveillance(group []string, survivor string, p surveil.Person) error {
	for _, key := range group {
		for _, q := range []string{`DELETE FROM exposure WHERE patient = ?`, `DELETE FROM infection WHERE patient = ?`,
			`DELETE FROM culture WHERE patient = ?`} {
			if err := t.exec(q, key); err != nil {
				return err
			}
		}
	}
	for _, e := range p.Exposures {
		if err := t.exec(`INSERT INTO exposure (patient, facility, technique, low, high) VALUES (?, ?, ?, ?, ?)`,
			survivor, e.Facility, string(e.Technique), int64(e.From), int64(e.To)); err != nil {
			return err
		}
	}
	for i := range p.Events {
		e := &p.Events[i]
		data, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("event of %s: %w", e.Fact, err)
		}
		if err := t.exec(`INSERT INTO infection (patient, fact, facility, day, data) VALUES (?, ?, ?, ?, ?)`,
			survivor, e.Fact, e.Facility, int64(e.Day), string(data)); err != nil {
			return err
		}
	}
	for _, c := range p.Cultures {
		if err := t.exec(`INSERT INTO culture (patient, fact, facility, day, positive) VALUES (?, ?, ?, ?, ?)`,
			survivor, c.Fact, c.Facility, int64(c.Day), c.Positive); err != nil {
			return err
		}
	}
	return nil
}

// Surveillance reads what is stored of one patient key.
func (l loader) Surveillance(key string) (surveil.Person, error) {
	list, err := l.people(`patient = ?`, key)
	if err != nil || len(list) == 0 {
		return surveil.Person{}, err
	}
	return list[0].Person, nil
}

// People lists the patients of whom surveillance knows anything at a facility, with what it
// knows there, by patient key.
func (l loader) People(facility string) ([]surveil.Patient, error) {
	return l.people(`facility = ?`, facility)
}

func (l loader) people(where, value string) ([]surveil.Patient, error) {
	var out []surveil.Patient
	place := map[string]int{}
	of := func(key string) *surveil.Person {
		i, ok := place[key]
		if !ok {
			i = len(out)
			place[key] = i
			out = append(out, surveil.Patient{Key: key})
		}
		return &out[i].Person
	}
	if err := l.each(`SELECT patient, facility, technique, low, high FROM exposure WHERE `+where+` ORDER BY patient, low`, []any{value},
		func(scan func(...any) error) error {
			var key string
			var e surveil.Exposure
			if err := scan(&key, &e.Facility, &e.Technique, &e.From, &e.To); err != nil {
				return err
			}
			p := of(key)
			p.Exposures = append(p.Exposures, e)
			return nil
		}); err != nil {
		return nil, err
	}
	err := l.each(`SELECT patient, data FROM infection WHERE `+where+` ORDER BY patient, day, fact`, []any{value},
		func(scan func(...any) error) error {
			var key, data string
			if err := scan(&key, &data); err != nil {
				return err
			}
			var e surveil.Event
			if err := json.Unmarshal([]byte(data), &e); err != nil {
				return err
			}
			p := of(key)
			p.Events = append(p.Events, e)
			return nil
		})
	if err != nil {
		return nil, err
	}
	err = l.each(`SELECT patient, fact, facility, day, positive FROM culture WHERE `+where+` ORDER BY patient, day, fact`, []any{value},
		func(scan func(...any) error) error {
			var key string
			var c surveil.Culture
			if err := scan(&key, &c.Fact, &c.Facility, &c.Day, &c.Positive); err != nil {
				return err
			}
			p := of(key)
			p.Cultures = append(p.Cultures, c)
			return nil
		})
	return out, err
}

// each runs a query and f on each of its rows.
func (l loader) each(q string, args []any, f func(scan func(...any) error) error) error {
	rows, err := l.q(l.ctx, q, args...)
	if err != nil {
		return fmt.Errorf("%w in %q", err, q)
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return fmt.Errorf("%w in %q", err, q)
		}
	}
	return rows.Err()
}

// Raised lists the signals that charts of a facility once gave, oldest first.
func (l loader) Raised(facility string) ([]surveil.Raised, error) {
	var out []surveil.Raised
	err := l.each(`SELECT technique, class, seq, day, sum, seen FROM raised WHERE facility = ? ORDER BY seq, technique, class`,
		[]any{facility}, func(scan func(...any) error) error {
			var r surveil.Raised
			var seen string
			if err := scan(&r.Technique, &r.Class, &r.Seq, &r.Day, &r.Sum, &seen); err != nil {
				return err
			}
			err := json.Unmarshal([]byte(seen), &r.Seen)
			out = append(out, r)
			return err
		})
	return out, err
}

// Seen lists the facts of the events that a chart knew when its signal was acknowledged, or
// its threshold set; nil where that fact was never projected as one.
func (l loader) Seen(ack string) ([]string, error) {
	var out []string
	err := l.each(`SELECT seen FROM acknowledged WHERE fact = ?`, []any{ack}, func(scan func(...any) error) error {
		var data string
		if err := scan(&data); err != nil {
			return err
		}
		return json.Unmarshal([]byte(data), &out)
	})
	return out, err
}

// SetTreatments replaces when treatment began in a session, by facility; none is an empty map.
func (t *Tx) SetTreatments(session string, began map[string]time.Time) error {
	t.memo.treatments(session, began)
	t.memo.unseen.note(treatmentKey, session)
	if err := t.exec(`DELETE FROM treatment WHERE session = ?`, session); err != nil {
		return err
	}
	for facility, at := range began {
		if err := t.exec(`INSERT INTO treatment (session, facility, began) VALUES (?, ?, ?)`, session, facility, millis(at)); err != nil {
			return err
		}
	}
	return nil
}

// Treatments reports when treatment began in a session, by facility.
func (t *Tx) Treatments(session string) (map[string]time.Time, error) {
	if known, ok := t.memo.treated[session]; ok || t.memo.unseen.lacks(treatmentKey, session) {
		return known, nil
	}
	out := map[string]time.Time{}
	err := t.load().each(`SELECT facility, began FROM treatment WHERE session = ?`, []any{session}, func(scan func(...any) error) error {
		var facility string
		var began int64
		if err := scan(&facility, &began); err != nil {
			return err
		}
		out[facility] = fromMillis(began)
		return nil
	})
	if err == nil {
		rememberFew(t.memo.treated, sessionsMost, session, out)
	}
	return out, err
}

// FirstTreatment is when the earliest treatment on record at a facility began; ok is false where
// there is none.
func (l loader) FirstTreatment(facility string) (began time.Time, ok bool, err error) {
	if l.memo != nil {
		if f, known := l.memo.begins[facility]; known {
			return f.at, f.ok, nil
		}
	}
	err = l.each(`SELECT began FROM treatment WHERE facility = ? ORDER BY began LIMIT 1`, []any{facility},
		func(scan func(...any) error) error {
			var ms int64
			err := scan(&ms)
			began, ok = fromMillis(ms), true
			return err
		})
	if l.memo != nil && err == nil {
		remember(l.memo.begins, facility, earliest{began, ok})
	}
	return began, ok, err
}

// earliest is what FirstTreatment returned.
type earliest struct {
	at time.Time
	ok bool
}

// treatments takes in what SetTreatments stores.
func (m *memo) treatments(session string, began map[string]time.Time) {
	before, known := m.treated[session]
	if !known && !m.unseen.lacks(treatmentKey, session) {
		clear(m.begins)
	}
	for facility, at := range before {
		if m.begins[facility].at.Equal(fromMillis(millis(at))) {
			delete(m.begins, facility) // another one may be the first now
		}
	}
	for facility, at := range began {
		if f, known := m.begins[facility]; known && (!f.ok || at.Before(f.at)) {
			m.begins[facility] = earliest{fromMillis(millis(at)), true}
		}
	}
	rememberFew(m.treated, sessionsMost, session, began)
}

// Raise notes a signal; SetSeen what was known at an acknowledgement or a new threshold.
func (t *Tx) Raise(facility string, r surveil.Raised) error {
	seen, err := json.Marshal(r.Seen)
	if err != nil {
		return err
	}
	return t.exec(`INSERT INTO raised (facility, technique, class, seq, day, sum, seen) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		facility, string(r.Technique), string(r.Class), int64(r.Seq), int64(r.Day), r.Sum, string(seen))
}

// SetSeen notes what was known when a signal was acknowledged, or a threshold set.
func (t *Tx) SetSeen(ack string, facts []string) error {
	data, err := json.Marshal(facts)
	if err != nil {
		return err
	}
	return t.exec(`INSERT INTO acknowledged (fact, seen) VALUES (?, ?) ON CONFLICT DO NOTHING`, ack, string(data))
}

// Reported is the last month that was reported of a facility; ok is false where none was.
func (t *Tx) Reported(facility string) (m surveil.Month, ok bool, err error) {
	ok, err = t.row(`SELECT month FROM reported WHERE facility = ?`, []any{facility}, &m)
	return m, ok, err
}

// SetReported notes that all months up to m are reported.
func (t *Tx) SetReported(facility string, m surveil.Month) error {
	return t.exec(`INSERT INTO reported (facility, month) VALUES (?, ?) ON CONFLICT (facility) DO UPDATE SET month = excluded.month`,
		facility, int64(m))
}

// Restate notes that a month that was reported has changed; Restated forgets it.
func (t *Tx) Restate(facility string, m surveil.Month) error {
	return t.exec(`INSERT INTO restate (facility, month) VALUES (?, ?) ON CONFLICT DO NOTHING`, facility, int64(m))
}

// Restated notes that a month was reported as it is now.
func (t *Tx) Restated(facility string, m surveil.Month) error {
	return t.exec(`DELETE FROM restate WHERE facility = ? AND month = ?`, facility, int64(m))
}

// ToRestate lists the months of a facility that changed since they were reported.
func (t *Tx) ToRestate(facility string) ([]surveil.Month, error) {
	var out []surveil.Month
	err := t.load().each(`SELECT month FROM restate WHERE facility = ? ORDER BY month`, []any{facility},
		func(scan func(...any) error) error {
			var m surveil.Month
			if err := scan(&m); err != nil {
				return err
			}
			out = append(out, m)
			return nil
		})
	return out, err
}
