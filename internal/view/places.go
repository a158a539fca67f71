package view

import (
	"time"
)

// SetFacility stores name and zone.
func (t *Tx) SetFacility(id, zone, name string) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, ?, ?, '', 0, 0, 0)
		ON CONFLICT (id) DO UPDATE SET zone = excluded.zone, name = excluded.name`, id, zone, name)
}

// HeardFrom notes a sender's message from the facility.
func (t *Tx) HeardFrom(id string, logged, occurred time.Time) error {
	return t.exec(`INSERT INTO facility (id, zone, name, day, last_logged, last_occurred, events) VALUES (?, 'UTC', '', '', ?, ?, 1)
		ON CONFLICT (id) DO UPDATE SET last_logged = max(last_logged, excluded.last_logged),
		last_occurred = max(last_occurred, excluded.last_occurred), events = events + 1`, id, millis(logged), millis(occurred))
}

// DayStarted notes a local day's start.
func (t *Tx) DayStarted(id, date string) error {
	return t.exec(`UPDATE facility SET day = max(day, ?) WHERE id = ?`, date, id)
}

// Facilities lists the facilities as the transaction sees them.
func (t *Tx) Facilities() ([]Facility, error) {
	if err := t.settle(); err != nil {
		return nil, err
	}
	return facilities(t.ctx, t.conn)
}

// strings reads one text column.
func (t *Tx) strings(q string, args ...any) ([]string, error) {
	return t.load().strings(q, args...)
}

// SessionsOfPatient lists the sessions that hold facts posted for a patient key.
func (t *Tx) SessionsOfPatient(key string) ([]string, error) {
	return t.strings(`SELECT DISTINCT session FROM event WHERE patient = ? ORDER BY session`, key)
}

// SessionsOfFacility lists the sessions that hold facts of a facility.
func (t *Tx) SessionsOfFacility(id string) ([]string, error) {
	return t.strings(`SELECT DISTINCT session FROM event WHERE facility = ? ORDER BY session`, id)
}

// TopicsWith lists the topics that begin with prefix.
func (t *Tx) TopicsWith(prefix string) ([]string, error) { return t.Load().TopicsWith(prefix) }
