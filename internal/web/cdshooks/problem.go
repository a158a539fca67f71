package cdshooks

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
)

// problem is why a call is refused. It never holds what the call said of a patient.
type problem = answer.Problem

func invalid(expression, code, format string, a ...any) *problem {
	return &problem{Status: http.StatusBadRequest, Code: code, Text: fmt.Sprintf(format, a...), Expression: expression}
}

// missing is a call that lacks what advice needs, and that this service does not fetch.
func missing(code, text string) *problem {
	return &problem{Status: http.StatusPreconditionFailed, Code: code, Expression: "prefetch." + prefetchKey,
		Text: text + "; send the Patient resource of the open chart, with its identifiers, as prefetch." + prefetchKey + " (template " +
			prefetchTemplate + "); this service fetches nothing from fhirServer"}
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

// asProblem decides how an error is answered. Of what failed inside only that it passes is
// told: other faults speak of what was asked for, which here is a patient.
func asProblem(ctx context.Context, log *slog.Logger, err error) *problem {
	var f *fault.Error
	if errors.As(err, &f) && f.Kind != fault.Unavailable {
		err = errors.New(f.Detail())
	}
	return answer.Of(ctx, log, "a CDS Hooks call failed", err)
}
