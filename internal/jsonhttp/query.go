package jsonhttp

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"cannulary/internal/fault"
)

// Parameter is a parameter of a URL's query.
type Parameter struct{ Name, Value string }

// Query reads the parameters of a request, by name, each given once at most. A query that
// cannot be read is refused: to leave out what is damaged would answer another question. Its
// errors are faults.
func Query(r *http.Request) ([]Parameter, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, fault.New(fault.Invalid, "the query of the URL cannot be read", "write percent signs and semicolons as %25 and %3B")
	}
	out := make([]Parameter, 0, len(q))
	for name, values := range q {
		if len(values) != 1 {
			return nil, fault.New(fault.Invalid, fmt.Sprintf("%s is given %d times", name, len(values)), "give it once")
		}
		out = append(out, Parameter{name, values[0]})
	}
	// So that of several errors the same one is told.
	slices.SortFunc(out, func(a, b Parameter) int { return cmp.Compare(a.Name, b.Name) })
	return out, nil
}
