package answer_test

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"cannulary/internal/answer"
)

func ask(query string) *http.Request {
	return &http.Request{Method: http.MethodGet, URL: &url.URL{Path: "/card", RawQuery: query}}
}

func TestQuery(t *testing.T) {
	got, err := answer.Query(ask("facility=+a%7Cb%0D%0A&month="), "facility", "month", "format")
	if want := map[string]string{"facility": "a|b", "month": ""}; err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	const damaged = "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"
	const noText = "month is not readable text of at most 1024 bytes. Send UTF-8, percent-encoded"
	for _, c := range []struct{ sentence, query, code, where, says string }{
		{"damaged", "facility=a%zz", "structure", "", damaged},
		{"a semicolon", "facility=a;month=b", "structure", "", damaged},
		{"unknown", "zone=a&year=b&unit=c", "not-supported", "http.unit", `parameter "unit" is not known here. There are facility, month`},
		{"twice", "month=a&month=a", "value", "http.month", "month is given 2 times. Give it once"},
		{"no text", "month=%ff", "value", "http.month", noText},
		{"a name that is no text", "%ff=a", "not-supported", `http.\xff`, `parameter "\xff" is not known here. There are facility, month`},
		{"a zero byte", "month=a%00", "value", "http.month", noText},
		{"too long", "month=" + strings.Repeat("x", 1025), "value", "http.month", noText},
	} {
		_, err := answer.Query(ask(c.query), "facility", "month")
		var p *answer.Problem
		if !errors.As(err, &p) || p.Status != http.StatusBadRequest || p.Code != c.code || p.Expression != c.where || p.Text != c.says {
			t.Errorf("%s: %+v, want %q", c.sentence, p, c.says)
		}
	}
	if _, err := answer.Query(ask("x=1"), "one"); err == nil || err.Error() != `parameter "x" is not known here. There is one` {
		t.Errorf("where there is one: %v", err)
	}
	if _, err := answer.Query(ask("x=1")); err == nil ||
		err.Error() != `parameter "x" is not known here. There are no parameters here; ask without a question mark` {
		t.Errorf("where there are none: %v", err)
	}
	if _, err := answer.Query(ask("month="+strings.Repeat("x", 1024)), "month"); err != nil {
		t.Errorf("of just 1024 bytes: %v", err)
	}
}

func TestValuesOfAForm(t *testing.T) {
	got, err := answer.Values("the body of the _search", "a=1&a=2&b=&c=%ff")
	if want := (url.Values{"a": {"1", "2"}, "b": {""}, "c": {"\xff"}}); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	const damaged = "the body of the _search cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"
	if _, err = answer.Values("the body of the _search", "a=%zz"); err == nil || err.Error() != damaged {
		t.Errorf("%v", err)
	}
}

func TestMethods(t *testing.T) {
	for method, allowed := range map[string]bool{"GET": true, "HEAD": true, "POST": false, "OPTIONS": false, "get": false} {
		err := answer.Allow(httptest.NewRequest(method, "/", nil), "only read", http.MethodGet, http.MethodHead)
		var p *answer.Problem
		if errors.As(err, &p) == allowed {
			t.Errorf("%s: %v", method, err)
		}
		if !allowed && (p.Status != http.StatusMethodNotAllowed || p.Header["Allow"] != "GET, HEAD" || p.Text != "only read") {
			t.Errorf("%s: %+v", method, p)
		}
	}
}
