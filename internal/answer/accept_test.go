package answer_test

import (
	"strings"
	"testing"

	"cannulary/internal/answer"
)

func TestTheClosestRangeDecides(t *testing.T) {
	const fhir = "application/fhir+json; fhirVersion=4.0"
	for _, c := range []struct {
		header, offer string
		want          float64
	}{
		// The example of RFC 9110, 12.5.1, without its q of a parameter that we never offer.
		{"text/*;q=0.3, text/plain;q=0.7, */*;q=0.5", "text/plain", 0.7},
		{"text/*;q=0.3, text/plain;q=0.7, */*;q=0.5", "text/html", 0.3},
		{"text/*;q=0.3, text/plain;q=0.7, */*;q=0.5", "image/jpeg", 0.5},
		{"*/*, application/json;q=0", "application/json", 0},
		{"application/json;q=0, */*", "application/json", 0},
		{"application/json;q=0.2, application/json", "application/json", 0.2},
		{"APPLICATION/JSON; Q=0.5", "application/json", 0.5},
		{"application/json; charset=utf-8", "application/json", 1},
		{"text/html", "application/json", 0},
		{"*", "application/json", 0},
		{"", "application/json", 0},
		// What cannot be read is passed over.
		{"application/json;q=2, */*;q=0.1", "application/json", 0.1},
		{"application/json;q=x", "application/json", 0},
		{"application/json;q=NaN", "application/json", 0},
		{"/, , application/json;;, text/plain", "text/plain", 1},
		// Parameters that the offer has.
		{"application/fhir+json; fhirVersion=4.0", fhir, 1},
		{"application/fhir+json; fhirversion=3.0", fhir, 0},
		{"application/fhir+json; fhirVersion=3.0, application/fhir+json;q=0.4", fhir, 0.4},
		{"application/fhir+json, application/fhir+json;fhirVersion=4.0;q=0.6", fhir, 0.6},
		// Codings.
		{"br;q=1.0, gzip;q=0.8", "gzip", 0.8},
		{"gzip;q=0, *", "gzip", 0},
		{"br, *;q=0.1", "gzip", 0.1},
		{"*/*", "gzip", 0},
		{"identity", "gzip", 0},
	} {
		if got := answer.Quality([]string{c.header}, c.offer); got != c.want {
			t.Errorf("%q likes %q: %g, want %g", c.header, c.offer, got, c.want)
		}
	}
}

func TestPrefer(t *testing.T) {
	for _, c := range []struct{ accept, offers, want string }{
		{"", "application/json text/html", "application/json"},
		{"*/*", "application/json text/html", "application/json"},
		{"text/html, */*;q=0.8", "application/json text/html", "text/html"},
		{"text/html, application/json", "application/json text/html", "application/json"},
		{"text/html|application/json;q=0.9", "application/json text/html", "text/html"}, // two lines of the header
		{"image/png", "application/json text/html", ""},
		{"*/*;q=0", "application/json text/html", ""},
	} {
		if got := answer.Prefer(strings.Split(c.accept, "|"), strings.Fields(c.offers)...); got != c.want {
			t.Errorf("%q among %q: %q, want %q", c.accept, c.offers, got, c.want)
		}
	}
}

func FuzzQuality(f *testing.F) {
	for _, s := range []string{"text/*;q=0.3, */*", "a/b;c=\"d,e\"", ";q=1", "*;q=.2", "\x00/\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		for _, offer := range []string{"application/json", "application/fhir+json; fhirVersion=4.0", "gzip"} {
			if q := answer.Quality([]string{header}, offer); !(q >= 0 && q <= 1) {
				t.Errorf("%q: %g", header, q)
			}
		}
	})
}
