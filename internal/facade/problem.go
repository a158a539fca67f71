package facade

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"cannulary/fhir"
	"cannulary/internal/fault"
)

// problem is an error as it is answered: a status and an OperationOutcome.
type problem struct {
	status     int
	code       string // issue-type
	text       string
	expression string // http.<parameter or header>, empty if nothing of the kind
	header     map[string]string
}

func (p *problem) Error() string { return p.text }

// Denied is what Config.Authorize returns to refuse a request; other errors are answered
// as a plain 403, their text is only logged.
type Denied struct {
	// Status is http.StatusUnauthorized or http.StatusForbidden.
	Status int
	// Reason is told to the client.
	Reason string
	// Challenge is the WWW-Authenticate header of a 401.
	Challenge string
}

// Error is the reason.
func (d *Denied) Error() string { return d.Reason }

func invalid(param, format string, args ...any) *problem {
	return &problem{status: http.StatusBadRequest, code: "value", text: fmt.Sprintf(format, args...), expression: "http." + shown(param)}
}

func notSupported(param, format string, args ...any) *problem {
	p := invalid(param, format, args...)
	p.code = "not-supported"
	return p
}

func notFound(code, format string, args ...any) *problem {
	return &problem{status: http.StatusNotFound, code: code, text: fmt.Sprintf(format, args...)}
}

// shown makes what a client sent fit for showing it back.
func shown(s string) string {
	const limit = 80
	// FHIR's strings have no control characters.
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '\uFFFD'
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	if utf8.RuneCountInString(s) > limit {
		s = string([]rune(s)[:limit]) + "…"
	}
	return s
}

// asProblem decides how an error is answered and logs what the client is not told.
func asProblem(ctx context.Context, log *slog.Logger, err error) *problem {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	var d *Denied
	if errors.As(err, &d) {
		p := &problem{status: d.Status, code: "forbidden", text: d.Reason}
		if d.Status == http.StatusUnauthorized {
			p.code = "login"
			if d.Challenge != "" {
				p.header = map[string]string{"WWW-Authenticate": d.Challenge}
			}
		}
		return p
	}
	if ctx.Err() != nil {
		return &problem{status: http.StatusServiceUnavailable, code: "transient", text: "the request ended before it was answered; try again"}
	}
	f := fault.As(err)
	log.ErrorContext(ctx, "FHIR request failed", "error", f.Detail())
	p = &problem{status: http.StatusInternalServerError, code: "exception", text: f.Error()}
	switch f.Kind {
	case fault.Invalid:
		p.status, p.code = http.StatusBadRequest, "invalid"
	case fault.NotFound:
		p.status, p.code = http.StatusNotFound, "not-found"
	case fault.Gone:
		p.status, p.code = http.StatusGone, "deleted"
	case fault.Unavailable:
		p.status, p.code = http.StatusServiceUnavailable, "transient"
	}
	return p
}

func (p *problem) reply() reply {
	r := reply{status: p.status, header: map[string]string{"Cache-Control": "no-store"}}
	for k, v := range p.header {
		r.header[k] = v
	}
	var where []string
	if p.expression != "" {
		where = []string{p.expression}
	}
	r.body = fhir.OperationOutcome("error", p.code, p.text, where...)
	return r
}
