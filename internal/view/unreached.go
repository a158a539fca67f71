package view

import (
	"context"
	"fmt"
	"time"

	"cannulary/internal/record"
)

// Unreached is a correction or void that changes nothing as the record stands.
type Unreached struct {
	Fact     string // its id
	Seq      uint64
	Facility string
	Logged   time.Time // when the log took it
	// Named is the id of the event, or the key of the session, that it names.
	Named string
	Why   record.Reach
}

// SetUnreached notes a correction or void that changes nothing, or with an empty Why that
// it does now.
func (t *Tx) SetUnreached(u Unreached) error {
	if u.Why == record.Reached {
		return t.exec(`DELETE FROM unreached WHERE fact = ?`, u.Fact)
	}
	if t.memo.waited != nil {
		t.memo.waited[u.Named] = true
	}
	return t.exec(`INSERT INTO unreached (fact, seq, facility, logged, named, why) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (fact) DO UPDATE SET why = excluded.why`, u.Fact, int64(u.Seq), u.Facility, millis(u.Logged), u.Named, string(u.Why))
}

// Waiting lists the events with corrections and voids that change nothing and name an event
// or session; those of all for an empty name.
func (t *Tx) Waiting(named string) ([]StoredEvent, error) {
	if named == "" {
		return t.load().events(eventColumns + `WHERE e.seq IN (SELECT seq FROM unreached) ORDER BY e.seq`)
	}
	if waited, err := t.has(&t.memo.waited, named, `SELECT DISTINCT named FROM unreached`); err != nil || !waited {
		return nil, err
	}
	return t.load().events(eventColumns+`WHERE e.seq IN (SELECT seq FROM unreached WHERE named = ?) ORDER BY e.seq`, named)
}

// AmendingOf lists the events of the patient key that correct or take back anything.
func (t *Tx) AmendingOf(key string) ([]StoredEvent, error) {
	return t.load().events(eventColumns+`WHERE e.patient = ? AND e.seq IN (SELECT seq FROM amendment) ORDER BY e.seq`, key)
}

// Unreached lists the corrections and voids that change nothing as the record stands, oldest
// first, at most so many, and says how many there are. Each comes with its fact.
func (s *Store) Unreached(ctx context.Context, limit int) (list []UnreachedFact, total int, err error) {
	err = s.Reading(ctx, func(l Loader, _ Checkpoint) error {
		if err := l.(loader).each(`SELECT u.fact, u.seq, u.facility, u.logged, u.named, u.why, (SELECT count(*) FROM unreached)
			FROM unreached u ORDER BY u.logged, u.fact LIMIT ?`, []any{limit}, func(scan func(...any) error) error {
			var u UnreachedFact
			var logged int64
			err := scan(&u.Fact, &u.Seq, &u.Facility, &logged, &u.Named, &u.Why, &total)
			u.Logged = fromMillis(logged)
			list = append(list, u)
			return err
		}); err != nil {
			return err
		}
		for i := range list {
			events, err := l.(loader).events(eventColumns+`WHERE e.seq = ?`, int64(list[i].Seq))
			if err != nil {
				return err
			}
			facts, err := Facts(events)
			if err != nil {
				return err
			}
			for k := range facts {
				if facts[k].ID == list[i].Fact {
					list[i].By, list[i].Message = facts[k], events[0].Event.GetSourceMessageId()
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, 0, fmt.Errorf("read corrections and voids without effect: %w", err)
	}
	return list, total, nil
}

// UnreachedFact is one with the fact itself, and the message that it came with.
type UnreachedFact struct {
	Unreached
	By      record.Fact
	Message string
}

// UnreachedCount is how many corrections and voids of a facility change nothing, and since
// when the oldest waits.
type UnreachedCount struct {
	Facility string
	Count    int
	Oldest   time.Time
}

// UnreachedCounts counts by facility; a facility without any has a count of 0.
func (s *Store) UnreachedCounts(ctx context.Context) ([]UnreachedCount, error) {
	out, err := all(ctx, s.r, func(scan func(...any) error) (c UnreachedCount, err error) {
		var oldest int64
		err = scan(&c.Facility, &c.Count, &oldest)
		c.Oldest = fromMillis(oldest)
		return c, err
	}, `SELECT f.id, count(u.fact), coalesce(min(u.logged), 0) FROM facility f LEFT JOIN unreached u ON u.facility = f.id
			GROUP BY f.id ORDER BY f.id`)
	if err != nil {
		return nil, fmt.Errorf("count corrections and voids without effect: %w", err)
	}
	return out, nil
}
