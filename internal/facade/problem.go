package facade

import (
	"fmt"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"cannulary/internal/answer"
)

// problem is an error as it is answered.
type problem = answer.Problem

func invalid(param, format string, args ...any) *problem {
	return &problem{Status: http.StatusBadRequest, Code: "value", Text: fmt.Sprintf(format, args...), Expression: "http." + shown(param)}
}

func notSupported(param, format string, args ...any) *problem {
	p := invalid(param, format, args...)
	p.Code = "not-supported"
	return p
}

func notFound(code, format string, args ...any) *problem {
	return &problem{Status: http.StatusNotFound, Code: code, Text: fmt.Sprintf(format, args...)}
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

// refuse answers a problem.
func refuse(w http.ResponseWriter, r *http.Request, p *problem) {
	// An OperationOutcome can always be written.
	_ = answer.Refuse(w, r, p, answer.Outcome())
}
