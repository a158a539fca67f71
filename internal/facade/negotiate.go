package facade

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"cannulary/internal/answer"
)

// maxBody is the greatest body of a request, in bytes.
const maxBody = 64 << 10

// bodyOf reads the body of a request for what.
func bodyOf(r *http.Request, what string) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		return nil, &problem{Status: http.StatusRequestEntityTooLarge, Code: "too-long",
			Text: fmt.Sprintf("the body of a %s may have at most %d bytes", what, maxBody)}
	}
	if err != nil {
		return nil, &problem{Status: http.StatusBadRequest, Code: "structure", Text: "the body of the request was cut off; send it again"}
	}
	return body, nil
}

const formType = "application/x-www-form-urlencoded"

// readParams reads the parameters of the query and, if form is set, of the body.
func readParams(r *http.Request, form bool) (url.Values, error) {
	params, err := answer.Values(answer.OfURL, r.URL.RawQuery)
	if err == nil {
		err = readable(params)
	}
	if err != nil || !form {
		return params, err
	}
	body, err := bodyOf(r, "_search")
	if err != nil || len(body) == 0 {
		return params, err
	}
	media, also, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if charset := cmp.Or(also["charset"], "utf-8"); err != nil || media != formType || !strings.EqualFold(charset, "utf-8") {
		return nil, answer.WrongMedia("Content-Type",
			"the body of a _search must be "+formType+" in UTF-8, not "+shown(orNothing(r.Header.Get("Content-Type"))))
	}
	more, err := answer.Values("the body of the _search", string(body))
	if err != nil {
		return nil, err
	}
	for k, v := range more {
		params[k] = append(params[k], v...)
	}
	return params, readable(params)
}

// readable refuses values that are no text: nothing has such a value, and an empty answer would read as if there were nothing.
func readable(params url.Values) error {
	for _, name := range slices.Sorted(maps.Keys(params)) {
		if slices.ContainsFunc(params[name], func(v string) bool { return !utf8.ValidString(v) }) {
			return invalid(name, "%s: the value is not readable text; send UTF-8, percent-encoded", shown(name))
		}
	}
	return nil
}

func orNothing(s string) string { return cmp.Or(s, "nothing") }

// offered are the media types that our JSON goes by. A client may name the version of FHIR.
func offered() []string {
	return []string{"application/fhir+json; fhirVersion=4.0", "application/fhir+json; fhirVersion=4.0.1",
		"application/json; fhirVersion=4.0", "application/json; fhirVersion=4.0.1"}
}

// negotiate refuses what asks for anything but FHIR R4 JSON. _format goes before Accept.
func negotiate(accept []string, params url.Values) error {
	where := "Accept"
	if formats, ok := params[paramFormat]; ok {
		if len(formats) > 1 {
			return invalid(paramFormat, "_format is given %d times; give it once", len(formats))
		}
		if formats[0] == "json" {
			return nil
		}
		// A plus sign that was not escaped arrives as a space. It is one type, no list.
		where, accept = paramFormat, []string{orNothing(strings.Replace(formats[0], " ", "+", 1))}
		if strings.Contains(formats[0], ",") {
			return unacceptable(where, formats)
		}
	}
	if answer.Prefer(accept, offered()...) == "" {
		return unacceptable(where, accept)
	}
	return nil
}

func unacceptable(where string, asked []string) error {
	return answer.Unacceptable(where, "only JSON is answered (application/fhir+json), not "+shown(strings.Join(asked, ",")))
}

// wantsPretty reads _pretty, which all interactions take.
func wantsPretty(params url.Values) (bool, error) {
	if !params.Has(paramPretty) {
		return false, nil
	}
	v, err := single(paramPretty, params[paramPretty])
	if err != nil {
		return false, err
	}
	if v != "true" && v != "false" {
		return false, invalid(paramPretty, "_pretty: %s is neither true nor false", shown(v))
	}
	return v == "true", nil
}

// indented is JSON for a person's eyes.
func indented(body []byte) ([]byte, error) {
	var out bytes.Buffer
	if err := json.Indent(&out, body, "", "  "); err != nil {
		return nil, err
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

// lenient reports whether the client asks to ignore parameters that are not known.
func lenient(h http.Header) bool {
	for _, line := range h.Values("Prefer") {
		for _, p := range strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ';' }) {
			k, v, _ := strings.Cut(strings.TrimSpace(p), "=")
			if strings.EqualFold(k, "handling") {
				return strings.EqualFold(strings.Trim(v, `"`), "lenient")
			}
		}
	}
	return false
}
