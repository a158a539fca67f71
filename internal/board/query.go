package board

import (
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"cannulary/internal/chairside"
	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
	"cannulary/internal/zone"
)

// form is the form of an answer.
type form int

const (
	formJSON form = iota
	formHTML
	formText
)

// formOf finds the form that the client likes best; the fallback wins a tie, and where
// nothing that there is would please.
func formOf(r *http.Request, fallback form) form {
	best, quality := fallback, 0.0
	for _, f := range []form{fallback, formJSON, formHTML, formText} {
		if q := qualityOf(r.Header.Values("Accept"), f); q > quality {
			best, quality = f, q
		}
	}
	return best
}

// qualityOf reads the client's quality (0 to 1) for a form: that of the range in Accept
// which names it most closely.
func qualityOf(accept []string, f form) float64 {
	want := map[form]string{formJSON: "application/json", formHTML: "text/html", formText: "text/plain"}[f]
	family, _, _ := strings.Cut(want, "/")
	closest, quality := 0, 0.0
	for _, part := range strings.Split(strings.Join(accept, ","), ",") {
		media, args, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		near := map[string]int{"*/*": 1, family + "/*": 2, want: 3}[media]
		if near <= closest {
			continue
		}
		q := 1.0
		if s, ok := args["q"]; ok {
			if q, err = strconv.ParseFloat(s, 64); err != nil || !(q >= 0 && q <= 1) {
				continue
			}
		}
		closest, quality = near, q
	}
	return quality
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
	p, err := jsonhttp.Query(r, paramIdentifier, paramSystem, paramValue, paramPatient, paramAsOf, paramKnownAt, paramFormat)
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
	if q.request, err = readWho(p); err != nil {
		return q, err
	}
	if q.asOf, err = readMoment(paramAsOf, p[paramAsOf]); err != nil {
		return q, err
	}
	q.knownAt, err = readMoment(paramKnownAt, p[paramKnownAt])
	return q, err
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
		return chairside.Request{}, fault.New(fault.Invalid, what, "give identifier=SYSTEM|VALUE, or patient=KEY as on the board")
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
	return moment{}, fault.New(fault.Invalid, fmt.Sprintf("%s %.60q is no time", name, s), "give it as 2026-03-04T10:00:00Z or 2026-03-04; write a plus sign as %2B")
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
