package answer

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"
)

// maxValue bounds the value of a parameter, in bytes: an identifier, system and value together,
// is the longest.
const maxValue = 1024

// Values reads parameters as a URL or a form writes them; what names where they stand. It refuses what cannot be
// read: to leave out what is damaged would answer another question.
func Values(what, raw string) (url.Values, error) {
	q, err := url.ParseQuery(raw)
	if err != nil {
		return nil, unreadable("structure", "",
			what+" cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C")
	}
	return q, nil
}

// OfURL names the query of a URL to Values.
const OfURL = "the query of the URL"

// Query reads the parameters of a URL's query, without the blanks around their values. Beside what Values refuses, it
// refuses a parameter that is not known, is given twice or is no text of at most 1024 bytes.
func Query(r *http.Request, known ...string) (map[string]string, error) {
	q, err := Values(OfURL, r.URL.RawQuery)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(q)) { // of several errors the same one is told
		values := q[name]
		switch {
		case !slices.Contains(known, name):
			return nil, unreadable("not-supported", name, fmt.Sprintf("parameter %.60q is not known here. %s", name, offered(known)))
		case len(values) > 1:
			return nil, unreadable("value", name, fmt.Sprintf("%s is given %d times. Give it once", name, len(values)))
		case !utf8.ValidString(values[0]) || strings.ContainsRune(values[0], 0) || len(values[0]) > maxValue:
			return nil, unreadable("value", name,
				fmt.Sprintf("%s is not readable text of at most %d bytes. Send UTF-8, percent-encoded", name, maxValue))
		}
		out[name] = strings.TrimSpace(values[0])
	}
	return out, nil
}

func unreadable(code, name, text string) *Problem {
	p := &Problem{Status: http.StatusBadRequest, Code: code, Text: text}
	if name != "" {
		p.Expression = "http." + shown(name)
	}
	return p
}

// shown is a parameter's name, fit to be told.
func shown(name string) string {
	quoted := fmt.Sprintf("%.60q", name)
	return quoted[1 : len(quoted)-1]
}

func offered(known []string) string {
	switch len(known) {
	case 0:
		return "There are no parameters here; ask without a question mark"
	case 1:
		return "There is " + known[0]
	}
	return "There are " + strings.Join(known, ", ")
}
