package view

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"cannulary/fhir"
	"cannulary/internal/surveil"
)

// SetSurveillance replaces what surveillance knows of all identities in group by that of
// their survivor.
func (t *Tx) SetSurveillance(group []string, survivor string, p surveil.Person) error {
	for _, key := range group {
		for _, q := range []string{`DELETE FROM exposure WHERE patient = ?`, `DELETE FROM infection WHERE patient = ?`, `DELETE FROM culture WHERE patient = ?`} {
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
	if err != nil {
		return nil, err
	}
	err = l.each(`SELECT patient, fact, facility, day, positive FROM culture WHERE `+where+` ORDER BY patient, day, fact`, []any{value}, func(scan func(...any) error) error {
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
	err := l.each(`SELECT technique, class, seq, day, sum, seen FROM raised WHERE facility = ? ORDER BY seq, technique, class`, []any{facility}, func(scan func(...any) error) error {
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

// longestCare is longer than any treatment lasts; one whose end is dated later still may be
// passed over (ours).
const longestCare = 7 * 24 * time.Hour

// EarliestCare looks for the earliest start of a treatment, or needle, that stands among the
// Procedures at a facility's Location, from a day on before which there is none; ok is false
// where none does. A session that was missed, or of which only the end is told, is no care.
func (l loader) EarliestCare(location string, from surveil.Day, zone *time.Location) (d surveil.Day, ok bool, err error) {
	since := millis(from.Time().AddDate(0, 0, -1))
	// The index is by the end of the time that a Procedure takes. The first to end bounds the
	// search: what began before that one ended not much later, or has no end yet.
	first, ok, err := l.care(`p.high > ?`, `p.high`, location, since)
	if err != nil || !ok {
		return d, ok, err
	}
	endless := millis(fhir.EndOfTime())
	earliest, _, err := l.care(`(p.high > ? AND p.high <= ? OR p.high = ?)`, `p.low`, location, since, min(first.high+longestCare.Milliseconds(), endless), endless)
	return surveil.DayOf(fromMillis(earliest.low), zone), err == nil, err
}

// span is a time in milliseconds since 1970.
type span struct{ low, high int64 }

// care finds the first span of care at a location, by an order, of those in question.
func (l loader) care(when, order, location string, args ...any) (s span, ok bool, err error) {
	err = l.each(`SELECT p.low, p.high FROM period p CROSS JOIN resource r ON r.rid = p.rid AND r.type = 'Procedure'
		WHERE p.param = 'date' AND `+when+` AND p.low > ?
			AND EXISTS (SELECT 1 FROM term_use u WHERE u.rid = p.rid AND u.term = (SELECT id FROM term WHERE param = 'location' AND code = ? AND system = '' AND kind = 'r'))
			AND EXISTS (SELECT 1 FROM token x WHERE x.rid = r.rid AND +x.param = 'code' AND (+x.code IN ('insertion', 'insertion-sharp', 'insertion-blunt')
				OR +x.code = 'haemodialysis' AND json_extract(CAST(r.body AS TEXT), '$.performedPeriod.start') IS NOT NULL))
			AND NOT EXISTS (SELECT 1 FROM token x WHERE x.rid = r.rid AND +x.param = 'status' AND +x.code = 'entered-in-error')
		ORDER BY `+order+` LIMIT 1`, append(args, millis(fhir.BeginningOfTime()), "Location/"+location), func(scan func(...any) error) error {
		ok = true
		return scan(&s.low, &s.high)
	})
	return s, ok, err
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
