package cdshooks

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"cannulary/fhir"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
)

// Problem is why a call is refused: what is wrong, where, and what to do. It never holds
// what the call said of a patient.
type Problem struct {
	Status     int    // of HTTP
	Code       string // of FHIR's issue-type
	Text       string
	Expression string // where in the call: a path from its top, or http.<header>; may be empty

	header map[string]string
}

// Error is the text.
func (p *Problem) Error() string { return p.Text }

func invalid(expression, code, format string, a ...any) *Problem {
	return &Problem{Status: http.StatusBadRequest, Code: code, Text: fmt.Sprintf(format, a...), Expression: expression}
}

// missing is a call that lacks what advice needs, and that this service does not fetch.
func missing(code, text string) *Problem {
	return &Problem{Status: http.StatusPreconditionFailed, Code: code, Expression: "prefetch." + PrefetchKey,
		Text: text + "; send the Patient resource of the open chart, with its identifiers, as prefetch." + PrefetchKey + " (template " + PrefetchTemplate + "); this service fetches nothing from fhirServer"}
}

// shown makes what a client sent fit for showing it back.
func shown(s string) string {
	const limit = 80
	if r := []rune(printable(strings.ToValidUTF8(s, "\uFFFD"))); len(r) > limit {
		return string(r[:limit]) + "…"
	} else if len(r) > 0 {
		return string(r)
	}
	return "nothing"
}

// asProblem decides how an error is answered and logs what the client is not told.
func asProblem(ctx context.Context, log *slog.Logger, err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	var d *facade.Denied
	if errors.As(err, &d) {
		p := &Problem{Status: d.Status, Code: "forbidden", Text: d.Reason}
		if d.Status == http.StatusUnauthorized {
			p.Code = "login"
			if d.Challenge != "" {
				p.header = map[string]string{"WWW-Authenticate": d.Challenge}
			}
		}
		return p
	}
	if ctx.Err() != nil {
		return &Problem{Status: http.StatusServiceUnavailable, Code: "transient", Text: "the call ended before it was answered; try again"}
	}
	f := fault.As(err)
	log.ErrorContext(ctx, "a CDS Hooks call failed", "err", f.Detail())
	if f.Kind == fault.Unavailable {
		return &Problem{Status: http.StatusServiceUnavailable, Code: "transient", Text: f.Error()}
	}
	return &Problem{Status: http.StatusInternalServerError, Code: "exception", Text: broken}
}

const broken = "the service failed to answer; try again; if it stays, tell the operator, whose log has the cause"

func (p *Problem) body() []byte {
	var where []string
	if p.Expression != "" {
		where = []string{p.Expression}
	}
	return fhir.OperationOutcome("error", p.Code, p.Text, where...)
}
