package facade

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// maxForm is the greatest body of a _search, in bytes.
const maxForm = 64 << 10

const formType = "application/x-www-form-urlencoded"

// readParams reads the parameters of the query and, if form is set, of the body.
func readParams(r *http.Request, form bool) (url.Values, error) {
	params, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, &problem{Status: http.StatusBadRequest, Code: "structure", Text: "the query of the URL cannot be read: percent signs and semicolons must be written as %25 and %3B"}
	}
	if !form {
		return params, nil
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxForm))
	if err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return nil, &problem{Status: http.StatusRequestEntityTooLarge, Code: "too-long", Text: "the body of a _search may have at most 65536 bytes"}
		}
		return nil, &problem{Status: http.StatusBadRequest, Code: "structure", Text: "the body of the request broke off; send it again"}
	}
	if len(body) == 0 {
		return params, nil
	}
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != formType {
		return nil, &problem{Status: http.StatusUnsupportedMediaType, Code: "not-supported",
			Text: "the body of a _search must be " + formType + ", not " + shown(orNothing(r.Header.Get("Content-Type"))), Expression: "http.Content-Type"}
	}
	more, err := url.ParseQuery(string(body))
	if err != nil {
		return nil, &problem{Status: http.StatusBadRequest, Code: "structure", Text: "the body of the _search cannot be read: percent signs and semicolons must be written as %25 and %3B"}
	}
	for k, v := range more {
		params[k] = append(params[k], v...)
	}
	return params, nil
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// negotiate refuses what asks for anything but FHIR R4 JSON. _format goes before Accept.
func negotiate(accept []string, params url.Values) error {
	refuse := func(where, asked string) error {
		return &problem{Status: http.StatusNotAcceptable, Code: "not-supported", Expression: "http." + where,
			Text: "only JSON is answered (application/fhir+json), not " + shown(asked)}
	}
	if formats, ok := params[paramFormat]; ok {
		if len(formats) > 1 {
			return invalid(paramFormat, "_format is given %d times; give it once", len(formats))
		}
		// A plus sign that was not escaped arrives as a space.
		if f := formats[0]; f != "json" && !jsonMedia(strings.Replace(f, " ", "+", 1)) {
			return refuse(paramFormat, orNothing(f))
		}
		return nil
	}
	all := strings.Join(accept, ",")
	if strings.TrimSpace(all) == "" {
		return nil
	}
	for _, part := range strings.Split(all, ",") {
		if jsonMedia(part) {
			return nil
		}
	}
	return refuse("Accept", all)
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

// jsonMedia tells whether a media range accepts our JSON.
func jsonMedia(s string) bool {
	media, args, err := mime.ParseMediaType(s)
	if err != nil {
		return false
	}
	if q, ok := args["q"]; ok {
		if v, err := strconv.ParseFloat(q, 64); err != nil || v <= 0 {
			return false
		}
	}
	if v, ok := args["fhirversion"]; ok && v != "4.0" && v != "4.0.1" {
		return false
	}
	switch media {
	case "application/fhir+json", "application/json", "application/*", "*/*":
		return true
	}
	return false
}

// lenient tells whether the client asks to ignore parameters that are not known.
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
