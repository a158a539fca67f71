// Package answer says to the outside why a request is refused, and reads what all HTTP rooms read alike. One table
// gives each kind of fault its status of gRPC and HTTP; one Problem is written as JSON, as FHIR's OperationOutcome,
// as a page or as a line of text. There is one reader of queries and one of Accept.
package answer

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"strings"

	"cannulary/internal/fault"
)

// Problem is why an HTTP request is refused: what is wrong, where, and what to do.
type Problem struct {
	Status     int
	Code       string // of FHIR's issue-type; only an OperationOutcome tells it
	Text       string
	Expression string // where in the request: a path from its top, or http.<parameter or header>; may be empty
	Header     map[string]string
}

// Error is the text.
func (p *Problem) Error() string { return p.Text }

// Of decides how an error is answered. What failed inside, and what the client is not told of its cause, is logged as what.
func Of(ctx context.Context, log *slog.Logger, what string, err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	f := fault.As(err)
	if f.Kind == fault.Internal && errors.As(Withheld(ctx), &p) {
		return p
	}
	ended := ctx.Err() != nil // then nobody waits, and the cause is no failure of the service
	if ended && f.Kind == fault.Internal {
		f = fault.New(fault.Unavailable, "the request ended before it was answered", "try again")
	}
	out := ofFault(f)
	if !ended && out.Status >= http.StatusInternalServerError && (f.Kind == fault.Internal || f.Err != nil) {
		log.ErrorContext(ctx, what, "err", f.Detail())
	}
	return out
}

func ofFault(f *fault.Error) *Problem {
	s := outside(f.Kind)
	p := &Problem{Status: s.http, Code: s.issue, Text: f.Error()}
	switch f.Kind {
	case fault.Unauthenticated: // RFC 9110 asks for a challenge with every 401
		p.Header = map[string]string{"WWW-Authenticate": "Bearer"}
	case fault.Limited:
		p.Header = map[string]string{"Retry-After": "1"}
	}
	return p
}

// Broken is the answer to a panic, which only the log may describe.
func Broken() *Problem {
	return ofFault(fault.As(errors.New("panic")))
}

// Allow refuses a method that is not among those that are possible; text says why.
func Allow(r *http.Request, text string, methods ...string) error {
	if slices.Contains(methods, r.Method) {
		return nil
	}
	return &Problem{Status: http.StatusMethodNotAllowed, Code: "not-supported", Text: text,
		Header: map[string]string{"Allow": strings.Join(methods, ", ")}}
}

// WrongMedia refuses a body that is sent as what nobody reads here; header is the one that says so.
func WrongMedia(header, text string) *Problem {
	return &Problem{Status: http.StatusUnsupportedMediaType, Code: "not-supported", Text: text, Expression: "http." + header}
}

// Unacceptable refuses what asks for a form that is not offered; where is the parameter or header that asks.
func Unacceptable(where, text string) *Problem {
	return &Problem{Status: http.StatusNotAcceptable, Code: "not-supported", Text: text, Expression: "http." + where}
}
