package answer

import (
	"context"
	"net/http"
)

type withholding struct{}

// Withhold has the requests of a handler refused for as long as why returns an error: those that begin, and those
// that fail inside. What was read for an answer may then not be trusted.
func Withhold(h http.Handler, why func() error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), withholding{}, why)))
	})
}

// Withheld is why a request is refused; nil where it may be answered.
func Withheld(ctx context.Context) error {
	if why, ok := ctx.Value(withholding{}).(func() error); ok {
		return why()
	}
	return nil
}
