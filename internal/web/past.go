package web

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/life"
	"cannulary/internal/record/zone"
	"cannulary/internal/trail/seen"
)

// Parameters of the way back in time.
const (
	paramPart  = "part"  // of the day: morning, evening or time
	paramClock = "clock" // HH:MM, local, with part=time
	paramKnown = "known" // then or today: what is to be known
)

const (
	partMorning = "morning"
	partEvening = "evening"
	partTime    = "time"
	knownThen   = "then"
	knownToday  = "today"
)

// backPart is the way back in time on a page of one patient, and what of it the page shows. The
// templates "past-band" and "past-form" are made from it.
type backPart struct {
	Patient, Track string
	// Shown says which moment the page shows, Known from what; both are empty for the present.
	Shown, Known string
	Present      string // address of the page as it is now
	Date, Clock  string // what the form begins with
	Today        string // the last day that can be chosen
	Future       bool   // the moment has not come yet
}

// back says which moment a page of a patient shows; track is empty on the card. asOf and knownAt
// are those of the card.
func (h *handler) back(patient, track string, asOf, knownAt time.Time, local *time.Location) backPart {
	now := h.cfg.Now()
	b := backPart{Patient: patient, Track: track, Today: zone.Date(now, local), Date: zone.Date(asOf, local)}
	to := url.Values{paramPatient: {patient}}
	b.Present = "card?"
	if track != "" {
		to.Set(paramTrack, track)
		b.Present = "track?"
	}
	b.Present += to.Encode()
	const little = time.Minute // as card.Past has it
	other := now.Sub(asOf).Abs() > little
	older := now.Sub(knownAt) > little
	if !other && !older {
		return b
	}
	t := h.words
	here := now.In(local)
	day, hour := t.day(asOf.In(local), here), asOf.In(local).Format(clock)
	switch {
	case !other:
		b.Shown = t.must("past.now")
	case asOf.Equal(life.Morning(b.Date, local)):
		b.Shown = t.must("past.morning", "Day", day)
	case !asOf.Before(endOf(b.Date, local)): // also a date alone, which is its last instant
		b.Shown = t.must("past.evening", "Day", day)
	default:
		b.Shown, b.Clock = t.must("past.moment", "Day", day, "Clock", hour), hour
	}
	b.Future = asOf.After(now.Add(little))
	switch {
	case !older:
		b.Known = t.must("past.known-today")
	case knownAt.Sub(asOf).Abs() <= little:
		b.Known = t.must("past.known-then")
	default:
		b.Known = t.must("past.known-at", "When", t.when(knownAt.In(local), here))
	}
	return b
}

// endOf is the last second of a local date.
func endOf(date string, local *time.Location) time.Time {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}
	}
	return zone.Midnight(time.Date(d.Year(), d.Month(), d.Day()+1, 12, 0, 0, 0, local), local).Add(-time.Second)
}

// past answers "/past", the form that asks for a page of another moment: it leads there.
func (h *handler) past(w http.ResponseWriter, r *http.Request) error {
	p, err := answer.Query(r, paramPatient, paramTrack, paramDate, paramPart, paramClock, paramKnown)
	if err != nil {
		return err
	}
	if p[paramPatient] == "" {
		return fault.New(fault.Invalid, "no patient is named", "use the form on the patient's card")
	}
	c, err := h.cfg.Cards.Card(r.Context(), chairside.Request{Key: p[paramPatient]})
	if err != nil {
		return err
	}
	seen.Patients(r.Context(), c.Patient.ID)
	at, err := readBack(p, h.cfg.Cards.Zone(c.Facility), h.cfg.Now())
	if err != nil {
		return err
	}
	s := at.UTC().Format(time.RFC3339)
	to, page := url.Values{paramPatient: {p[paramPatient]}, paramAsOf: {s}}, "card"
	switch p[paramKnown] {
	case knownThen, "":
		to.Set(paramKnownAt, s)
	case knownToday:
	default:
		return fault.New(fault.Invalid, fmt.Sprintf("known %.60q is not known here", p[paramKnown]), "choose then or today")
	}
	if p[paramTrack] != "" {
		page = "track"
		to.Set(paramTrack, p[paramTrack])
	}
	seeOther(w, page+"?"+to.Encode())
	return nil
}

// readBack reads the moment that the form asks for.
func readBack(p map[string]string, local *time.Location, now time.Time) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, p[paramDate])
	if err != nil || d.Year() < 1970 || d.Year() >= 2500 {
		return d, fault.New(fault.Invalid, fmt.Sprintf("date %.60q is not a day", p[paramDate]), "write it as 2026-11-03")
	}
	var at time.Time
	switch p[paramPart] {
	case partMorning, "":
		at = life.Morning(p[paramDate], local)
	case partEvening:
		at = endOf(p[paramDate], local)
	case partTime:
		c, err := time.Parse(clock, p[paramClock])
		if err != nil {
			return at, fault.New(fault.Invalid, fmt.Sprintf("clock %.60q is not a time of day", p[paramClock]), "write it as 07:30")
		}
		at = time.Date(d.Year(), d.Month(), d.Day(), c.Hour(), c.Minute(), 0, 0, local)
	default:
		return at, fault.New(fault.Invalid, fmt.Sprintf("part %.60q is not a part of a day", p[paramPart]),
			"choose morning, evening or time")
	}
	if at.After(now) {
		return at, fault.New(fault.Invalid, "that moment has not come yet", "choose an earlier one")
	}
	return at, nil
}
