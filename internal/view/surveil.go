package view

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"cannulary/internal/surveil"
)

// SetSurveillance replaces what surveillance knows of all identities in group by that of
// their survivor.
func (t *Tx) SetSurveillance(group []string, survivor string, p surveil.Person) error {
	for _, key := range group {
		for _, q := range []string{`DELETE FROM exposure WHERE patient = ?`, `DELETE FROM infection WHERE patient = ?`} {
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
	if err := l.each(`SELECT patient, facility, technique, low, high FROM exposure WHERE `+where+` ORDER BY patient, low`, []any{value}, func(scan func(...any) error) error {
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
	err := l.each(`SELECT patient, data FROM infection WHERE `+where+` ORDER BY patient, day, fact`, []any{value}, func(scan func(...any) error) error {
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
	err := l.each(`SELECT technique, class, seq, day, sum FROM raised WHERE facility = ? ORDER BY seq, technique, class`, []any{facility}, func(scan func(...any) error) error {
		var r surveil.Raised
		if err := scan(&r.Technique, &r.Class, &r.Seq, &r.Day, &r.Sum); err != nil {
			return err
		}
		out = append(out, r)
		return nil
	})
	return out, err
}

// Seen lists the facts of the events that charts knew when a signal was acknowledged.
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

// SetCared sets the day of the earliest treatment at a facility. uncertain says that what told
// it may have been taken back since, so that the day has to be looked for.
func (t *Tx) SetCared(facility string, d surveil.Day, known, uncertain bool) error {
	var day any
	if known {
		day = int64(d)
	}
	return t.exec(`UPDATE facility SET cared = ?, uncertain = ? WHERE id = ?`, day, uncertain, facility)
}

// Care is what is known of a facility's earliest treatment.
type Care struct {
	Since     surveil.Day
	Known     bool // a treatment is on record
	Uncertain bool
}

// Cared tells a facility's earliest treatment as it was noted.
func (l loader) Cared(facility string) (c Care, err error) {
	err = l.each(`SELECT cared, uncertain FROM facility WHERE id = ?`, []any{facility}, func(scan func(...any) error) error {
		var day sql.NullInt64
		if err := scan(&day, &c.Uncertain); err != nil {
			return err
		}
		c.Since, c.Known = surveil.Day(day.Int64), day.Valid
		return nil
	})
	return c, err
}

// EarliestCare looks for the earliest treatment that stands among the Procedures at a
// facility's Location, from a day on before which there is none; ok is false where none does.
func (l loader) EarliestCare(location string, from surveil.Day, zone *time.Location) (d surveil.Day, ok bool, err error) {
	err = l.each(`SELECT p.low FROM period p CROSS JOIN resource r ON r.rid = p.rid AND r.type = 'Procedure'
		WHERE p.param = 'date' AND p.high > ?
			AND EXISTS (SELECT 1 FROM term_use u WHERE u.rid = p.rid AND u.term = (SELECT id FROM term WHERE param = 'location' AND code = ? AND system = '' AND kind = 'r'))
			AND EXISTS (SELECT 1 FROM token x WHERE x.rid = r.rid AND +x.param = 'code' AND +x.code IN ('haemodialysis', 'insertion', 'insertion-sharp', 'insertion-blunt'))
			AND NOT EXISTS (SELECT 1 FROM token x WHERE x.rid = r.rid AND +x.param = 'status' AND +x.code = 'entered-in-error')
		ORDER BY p.high LIMIT 1`, []any{millis(from.Time().AddDate(0, 0, -1)), "Location/" + location}, func(scan func(...any) error) error {
		var low int64
		if err := scan(&low); err != nil {
			return err
		}
		d, ok = surveil.DayOf(fromMillis(low), zone), true
		return nil
	})
	return d, ok, err
}

// Raise notes a signal; SetSeen what was known at an acknowledgement.
func (t *Tx) Raise(facility string, r surveil.Raised) error {
	return t.exec(`INSERT INTO raised (facility, technique, class, seq, day, sum) VALUES (?, ?, ?, ?, ?, ?)`,
		facility, string(r.Technique), string(r.Class), int64(r.Seq), int64(r.Day), r.Sum)
}

// SetSeen notes what was known when a signal was acknowledged.
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
	return t.exec(`INSERT INTO reported (facility, month) VALUES (?, ?) ON CONFLICT (facility) DO UPDATE SET month = excluded.month`, facility, int64(m))
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
	err := t.load().each(`SELECT month FROM restate WHERE facility = ? ORDER BY month`, []any{facility}, func(scan func(...any) error) error {
		var m surveil.Month
		if err := scan(&m); err != nil {
			return err
		}
		out = append(out, m)
		return nil
	})
	return out, err
}
