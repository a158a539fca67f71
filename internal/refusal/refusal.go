// Package refusal makes of an error what a FHIR client is answered: a status and an
// OperationOutcome (FHIR R4). The FHIR facade and the CDS Hooks service refuse in this one
// form; the other endpoints answer JSON of their own (jsonhttp).
package refusal

import (
	"context"
	"errors"
	"log/slog"
	"net/http"

	"cannulary/fhir"
	"cannulary/internal/fault"
)

// Problem is why a request is refused: what is wrong, where, and what to do.
type Problem struct {
	Status     int    // of HTTP
	Code       string // of FHIR's issue-type
	Text       string
	Expression string // where in the request: a path from its top, or http.<parameter or header>; may be empty
	Header     map[string]string
}

// Error is the text.
func (p *Problem) Error() string { return p.Text }

// Body is the OperationOutcome.
func (p *Problem) Body() []byte {
	var where []string
	if p.Expression != "" {
		where = []string{p.Expression}
	}
	return fhir.OperationOutcome("error", p.Code, p.Text, where...)
}

// Broken is the answer to what failed inside, whose cause only the log is told.
func Broken() *Problem {
	return &Problem{Status: http.StatusInternalServerError, Code: "exception",
		Text: "the service failed to answer; try again; if it stays, tell the operator, whose log has the cause"}
}

// Denied is what an Authorize function returns to refuse a request.
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

// Authorize asks whether a request may be answered; nil lets everybody. An error that is no
// *Denied becomes a plain 403, its text is only logged.
func Authorize(r *http.Request, authorize func(*http.Request) error, log *slog.Logger) error {
	if authorize == nil {
		return nil
	}
	err := authorize(r)
	var d *Denied
	if err == nil || errors.As(err, &d) {
		return err
	}
	log.WarnContext(r.Context(), "a request was refused", "err", err.Error())
	return &Denied{Status: http.StatusForbidden, Reason: "this client may not read that"}
}

// Of decides how an error is answered, and logs as what failed that which the client is not told.
func Of(ctx context.Context, log *slog.Logger, what string, err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	var d *Denied
	if errors.As(err, &d) {
		p := &Problem{Status: d.Status, Code: "forbidden", Text: d.Reason}
		if d.Status == http.StatusUnauthorized {
			p.Code = "login"
			if d.Challenge != "" {
				p.Header = map[string]string{"WWW-Authenticate": d.Challenge}
			}
		}
		return p
	}
	if ctx.Err() != nil {
		return &Problem{Status: http.StatusServiceUnavailable, Code: "transient", Text: "the request ended before it was answered; try again"}
	}
	f := fault.As(err)
	log.ErrorContext(ctx, what, "err", f.Detail())
	p = &Problem{Status: http.StatusInternalServerError, Code: "exception", Text: f.Error()}
	switch f.Kind {
	case fault.Internal:
		return Broken()
	case fault.Invalid:
		p.Status, p.Code = http.StatusBadRequest, "invalid"
	case fault.NotFound:
		p.Status, p.Code = http.StatusNotFound, "not-found"
	case fault.Gone:
		p.Status, p.Code = http.StatusGone, "deleted"
	case fault.Unavailable:
		p.Status, p.Code = http.StatusServiceUnavailable, "transient"
	}
	return p
}
