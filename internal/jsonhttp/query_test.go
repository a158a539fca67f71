package jsonhttp_test

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
)

func ask(query string) *http.Request {
	return &http.Request{Method: http.MethodGet, URL: &url.URL{Path: "/card", RawQuery: query}}
}

func TestQuery(t *testing.T) {
	got, err := jsonhttp.Query(ask("facility=+a%7Cb%0D%0A&month="), "facility", "month", "format")
	if want := map[string]string{"facility": "a|b", "month": ""}; err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	for _, c := range []struct{ sentence, query, says string }{
		{"damaged", "facility=a%zz", "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
		{"a semicolon", "facility=a;month=b", "the query of the URL cannot be read. Write a percent sign"},
		{"unknown", "zone=a&year=b", `parameter "year" is not known here. There are facility, month`},
		{"twice", "month=a&month=a", "month is given 2 times. Give it once"},
		{"no text", "month=%ff", "month is not readable text of at most 1024 bytes. Send UTF-8, percent-encoded"},
		{"a zero byte", "month=a%00", "month is not readable text"},
		{"too long", "month=" + strings.Repeat("x", 1025), "month is not readable text"},
	} {
		_, err := jsonhttp.Query(ask(c.query), "facility", "month")
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Invalid || !strings.HasPrefix(f.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.sentence, err, c.says)
		}
	}
	if _, err := jsonhttp.Query(ask("x=1"), "one"); err == nil || err.Error() != `parameter "x" is not known here. There is one` {
		t.Errorf("%v", err)
	}
}

func TestWhatTakesNoParametersRefusesThem(t *testing.T) {
	h := jsonhttp.Bare(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTeapot) }))
	for query, want := range map[string]int{"": http.StatusTeapot, "x=1": http.StatusBadRequest, "x=%zz": http.StatusBadRequest} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, ask(query))
		if w.Code != want {
			t.Errorf("?%s: %d %s, want %d", query, w.Code, w.Body, want)
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, ask("x=1"))
	if want := `{"error":{"code":"invalid","text":"parameter \"x\" is not known here. There are no parameters here; ask without a question mark"}}` + "\n"; w.Body.String() != want {
		t.Errorf("it says %s", w.Body)
	}
}
