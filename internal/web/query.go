package web

import (
	"cmp"
	"fmt"
	"net/http"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/record/zone"
)

// form is the media type of an answer.
type form string

const (
	formJSON form = "application/json"
	formHTML form = "text/html"
	formText form = "text/plain"
)

// formOf finds the form that the client likes best; the fallback wins a tie, and where
// nothing that there is would please.
func formOf(r *http.Request, fallback form) form {
	liked := answer.Prefer(r.Header.Values("Accept"), string(fallback), string(formJSON), string(formHTML), string(formText))
	return form(cmp.Or(liked, string(fallback)))
}

// Parameters of a card.
const (
	paramIdentifier = "identifier" // SYSTEM|VALUE
	paramSystem     = "system"     // with value: the same in two fields of a form
	paramValue      = "value"
	paramPatient    = "patient" // patient key
	paramAsOf       = "as_of"
	paramKnownAt    = "known_at"
	paramFormat     = "format"
)

// question is what a request for a card asks.
type question struct {
	request       chairside.Request // without its moments
	asOf, knownAt moment
	form          form
}

// moment is an instant, or a local date still to be placed in the facility's time zone.
type moment struct {
	at   time.Time
	date bool
}

// readCard reads a question for a card. Where an error comes back, the form in which to
// answer is still good.
func readCard(r *http.Request) (question, error) {
	q := question{form: formOf(r, formJSON)}
	p, err := answer.Query(r, paramIdentifier, paramSystem, paramValue, paramPatient, paramAsOf, paramKnownAt, paramFormat)
	if err != nil {
		return q, err
	}
	switch format := p[paramFormat]; format {
	case "":
	case "json":
		q.form = formJSON
	case "html":
		q.form = formHTML
	case "text":
		q.form = formText
	default:
		return q, fault.New(fault.Invalid, fmt.Sprintf("format %.60q is not known", format), "give json, html or text, or leave it out")
	}
	return q, q.read(p)
}

// read reads the patient and the moments.
func (q *question) read(p map[string]string) (err error) {
	if q.request, err = readWho(p); err != nil {
		return err
	}
	if q.asOf, err = readMoment(paramAsOf, p[paramAsOf]); err != nil {
		return err
	}
	q.knownAt, err = readMoment(paramKnownAt, p[paramKnownAt])
	return err
}

func readWho(p map[string]string) (chairside.Request, error) {
	ways := 0
	for _, given := range []bool{p[paramIdentifier] != "", p[paramPatient] != "", p[paramSystem] != "" || p[paramValue] != ""} {
		if given {
			ways++
		}
	}
	if ways != 1 {
		what := "no patient is named"
		if ways > 1 {
			what = "the patient is named in more than one way"
		}
		return chairside.Request{}, fault.New(fault.Invalid, what, "give identifier=SYSTEM|VALUE, or patient=KEY as Today links to")
	}
	if p[paramPatient] != "" {
		return chairside.Request{Key: p[paramPatient]}, nil
	}
	identifier := p[paramIdentifier]
	if identifier == "" {
		if p[paramSystem] == "" || p[paramValue] == "" {
			return chairside.Request{}, fault.New(fault.Invalid, "the identifier is not complete", "give both its system and its value")
		}
		return chairside.Request{System: p[paramSystem], Value: p[paramValue]}, nil
	}
	system, value, err := chairside.ParseIdentifier(identifier)
	return chairside.Request{System: system, Value: value}, err
}

func readMoment(name, s string) (moment, error) {
	if s == "" {
		return moment{}, nil
	}
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		// No fact is older than 1970; a year of five digits cannot be said in JSON.
		if t, err := time.Parse(layout, s); err == nil && t.Year() >= 1970 && t.Year() < 2500 {
			return moment{t, layout == time.DateOnly}, nil
		}
	}
	return moment{}, fault.New(fault.Invalid, fmt.Sprintf("%s %.60q is not a time", name, s),
		"give it as 2026-03-04T10:00:00Z or 2026-03-04; write a plus sign as %2B")
}

// in is the instant that is meant: of a date, its last one in that zone, and of today, now.
func (m moment) in(l *time.Location, now time.Time) time.Time {
	if !m.date {
		return m.at
	}
	y, month, d := m.at.Date()
	end := zone.Midnight(time.Date(y, month, d+1, 12, 0, 0, 0, l), l).Add(-time.Nanosecond)
	if zone.Date(now, l) == m.at.Format(time.DateOnly) {
		return now
	}
	return end
}
