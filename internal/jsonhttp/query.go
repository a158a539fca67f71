package jsonhttp

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"cannulary/internal/fault"
)

// maxValue bounds the value of a parameter, in bytes: an identifier, system and value together,
// is the longest.
const maxValue = 1024

// Query reads the parameters of a URL's query, without the blanks around their values. It
// refuses a query that cannot be read, and a parameter that is not known, is given twice or is
// no text of at most 1024 bytes: to leave out what is damaged would answer another question. Its
// errors are faults of kind Invalid.
func Query(r *http.Request, known ...string) (map[string]string, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, fault.New(fault.Invalid, "the query of the URL cannot be read",
			"write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C")
	}
	out := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(q)) { // of several errors the same one is told
		values := q[name]
		switch {
		case !slices.Contains(known, name):
			return nil, fault.New(fault.Invalid, fmt.Sprintf("parameter %.60q is not known here", name), offered(known))
		case len(values) > 1:
			return nil, fault.New(fault.Invalid, fmt.Sprintf("%s is given %d times", name, len(values)), "give it once")
		case !utf8.ValidString(values[0]) || strings.ContainsRune(values[0], 0) || len(values[0]) > maxValue:
			return nil, fault.New(fault.Invalid, fmt.Sprintf("%s is not readable text of at most %d bytes", name, maxValue),
				"send UTF-8, percent-encoded")
		}
		out[name] = strings.TrimSpace(values[0])
	}
	return out, nil
}

func offered(known []string) string {
	switch len(known) {
	case 0:
		return "there are no parameters here; ask without a question mark"
	case 1:
		return "there is " + known[0]
	}
	return "there are " + strings.Join(known, ", ")
}

// Bare refuses requests with parameters, and hands those without on: for what takes none. A
// refusal looks as Problem's do.
func Bare(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := Query(r); err != nil {
			f := fault.As(err)
			w.Header().Set("Cache-Control", "no-store")
			Problem(w, http.StatusBadRequest, "invalid", f.Error())
			return
		}
		next.ServeHTTP(w, r)
	})
}
