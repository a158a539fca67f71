package infectioncontrol_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	"cannulary/internal/web"
)

func ask(t *testing.T, s *infectioncontrol.Service, method, query string) (*http.Response, string, string) {
	t.Helper()
	var log bytes.Buffer
	w := httptest.NewRecorder()
	web.Report(s, slog.New(slog.NewTextHandler(&log, nil))).ServeHTTP(w, httptest.NewRequest(method, "/surveillance/report"+query, nil))
	body, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(body), log.String()
}

func TestWhatIsRefused(t *testing.T) {
	north := infectioncontrol.Invented(t)
	south := infectioncontrol.Bare(t, "invented-south", 3, surveil.Graft, "2026-01-05", "2027-06-08")
	young := infectioncontrol.Bare(t, "young", 3, surveil.Graft, "2027-06-02", "2027-06-08")
	asleep := infectioncontrol.Bare(t, "asleep", 3, surveil.Graft, "1970-01-01", "1970-01-01")
	empty := infectioncontrol.Kept(t)
	for _, c := range []struct {
		sentence, method, query string
		s                       *infectioncontrol.Service
		status                  int
		code, says              string
	}{
		{"another method", http.MethodPost, "", infectioncontrol.Serving(empty, north), 405, "method-not-allowed",
			"only GET is possible here; a report is made again each time that it is asked for"},
		{"a parameter twice", "GET", "?month=2027-05&month=2027-04", infectioncontrol.Serving(empty, north), 400, "invalid",
			"month is given 2 times. Give it once"},
		{"a query that cannot be read", "GET", "?month=2027-04%zz", infectioncontrol.Serving(empty, north), 400, "invalid",
			"the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
		{"a semicolon for an ampersand", "GET", "?facility=west;month=2027-04", infectioncontrol.Serving(empty, north), 400, "invalid",
			"the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
		{"a parameter nobody knows", "GET", "?year=2027", infectioncontrol.Serving(empty, north), 400, "invalid",
			`parameter "year" is not known here. There are facility, format, month`},
		{"a form nobody knows", "GET", "?format=pdf", infectioncontrol.Serving(empty, north), 400, "invalid",
			`format: "pdf" is not known here. Choose json, html or csv`},
		{"a month that is none", "GET", "?month=May", infectioncontrol.Serving(empty, north), 400, "invalid",
			`month: "May" is not a month. Write YYYY-MM, for instance 2027-05`},
		{"a thirteenth month", "GET", "?month=2027-13", infectioncontrol.Serving(empty, north), 400, "invalid",
			`month: "2027-13" is not a month. Write YYYY-MM, for instance 2027-05`},
		{"a month in the future", "GET", "?month=2027-07", infectioncontrol.Serving(empty, north), 400, "invalid",
			"month 2027-07 lies in the future: it is 2027-06-08 at invented-north. Choose 2027-06 or an earlier one"},
		{"a month before the record", "GET", "?month=2025-12", infectioncontrol.Serving(empty, north), 400, "invalid",
			"month 2025-12 lies before the record of invented-north, which begins on 2026-01-05. Choose one up to 2027-06"},
		{"no month is over", "GET", "", infectioncontrol.Serving(empty, young), 400, "invalid",
			"no month is over yet at young, whose record begins on 2027-06-02. Name the month, 2027-06, for its figures so far"},
		{"no day has begun", "GET", "", infectioncontrol.Serving(empty, asleep), 400, "invalid",
			"no day has begun on record at asleep, so there is nothing to report. Send its first messages, or wait until the register " +
				"has begun the day there"},
		{"a facility nobody knows", "GET", "?facility=west", infectioncontrol.Serving(empty, north), 404, "not-found",
			`facility "west" is not registered here. Choose one of: invented-north`},
		{"several facilities, none named", "GET", "", infectioncontrol.Serving(empty, north, south), 400, "invalid",
			"the facility is not named. Choose one of: invented-north, invented-south"},
		{"no facility at all", "GET", "", infectioncontrol.Serving(empty), 400, "invalid",
			"the facility is not named. Choose one of: none is registered yet"},
		{"a view that fails", "GET", "", infectioncontrol.Serving(infectioncontrol.Broken{}, north), 500, "internal",
			"the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"},
		{"a stored report that is none", "GET", "", infectioncontrol.Serving(infectioncontrol.Corrupt{}, north), 500, "internal",
			"the service failed to answer."},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			resp, body, log := ask(t, c.s, c.method, c.query)
			var e struct{ Error struct{ Code, Text string } }
			if err := json.Unmarshal([]byte(body), &e); err != nil || resp.StatusCode != c.status || e.Error.Code != c.code ||
				!strings.HasPrefix(e.Error.Text, c.says) {
				t.Errorf("%d %s, want %d %s %q", resp.StatusCode, body, c.status, c.code, c.says)
			}
			if strings.Contains(body, "secret") || (c.status == 500) != strings.Contains(log, "a report was not made") {
				t.Errorf("answer %s, log %s", body, log)
			}
		})
	}
}

func TestFormsOfTheReport(t *testing.T) {
	s := infectioncontrol.Serving(infectioncontrol.Kept(t), infectioncontrol.Invented(t))
	for _, c := range []struct{ query, media, begins string }{
		{"", "application/json",
			`{"facility":"invented-north","name":"Invented Unit North","month":"2027-05","year":"2026-06 to 2027-05",` +
				`"asOf":"2027-06-08","sequence":7,"logSequence":9,`},
		{"?format=json&month=2027-04&facility=invented-north", "application/json",
			`{"facility":"invented-north","name":"Invented Unit North","month":"2027-04"`},
		{"?format=html", "text/html; charset=utf-8", "<!doctype html>"},
		{"?format=csv", "text/csv; charset=utf-8; header=present", "facility,month,window,"},
	} {
		resp, body, _ := ask(t, s, "GET", c.query)
		if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != c.media || !strings.HasPrefix(body, c.begins) ||
			resp.Header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: %d %v %.120s", c.query, resp.StatusCode, resp.Header, body)
		}
		if policy := resp.Header.Get("Content-Security-Policy"); (c.media == "text/html; charset=utf-8") != strings.HasPrefix(policy,
			"default-src 'none';") {
			t.Errorf("%s: policy %q", c.query, policy)
		}
	}
}

func signals(t *testing.T, s *infectioncontrol.Service, method, query string) (status int, body, log string) {
	t.Helper()
	var b bytes.Buffer
	w := httptest.NewRecorder()
	web.Signals(s, slog.New(slog.NewTextHandler(&b, nil))).ServeHTTP(w, httptest.NewRequest(method, "/surveillance/signals"+query, nil))
	if got := w.Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control is %q", got)
	}
	return w.Code, w.Body.String(), b.String()
}

func TestTheSignalsThatStand(t *testing.T) {
	north := infectioncontrol.Invented(t)
	status, body, _ := signals(t, infectioncontrol.Serving(nil, north), "GET", "?facility=invented-north")
	var got infectioncontrol.Signals
	if err := json.Unmarshal([]byte(body), &got); err != nil || status != 200 {
		t.Fatalf("%d %s %v", status, body, err)
	}
	if got.Facility != "invented-north" || got.AsOf != "2027-06-08" || got.Lagging || got.Caution != infectioncontrol.Caution ||
		len(got.Charts) != 1 {
		t.Fatalf("%+v", got)
	}
	c := got.Charts[0]
	// As the golden report has it: raised again on 2027-03-02 after the answer of 2027-01-11.
	if c.Technique != surveil.ConstantSite || c.Class != surveil.AccessRelated || c.Threshold != 1.9 || c.SetBy != "S-900" ||
		c.From != "2026-02-02" || c.Sum <= 1.9 || c.Signal == nil || c.Signal.Day != "2027-03-02" {
		t.Errorf("%+v %+v", c, c.Signal)
	}
	quiet := infectioncontrol.Bare(t, "quiet", 9, surveil.ConstantSite, "2026-01-05", "2027-06-08")
	if _, body, _ := signals(t, infectioncontrol.Serving(nil, quiet), "GET", ""); !strings.Contains(body, `"facility":"quiet"`) ||
		!strings.Contains(body, `"charts":[]`) {
		t.Errorf("without a threshold: %s", body)
	}
	n := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	if err := quiet.Run(map[surveil.ChartName]surveil.Threshold{n: {ChartName: n, Reference: 0.26, R: 2, H: 2, SetBy: "S-1",
		From: quiet.AsOf - 3}}, nil, nil); err != nil {
		t.Fatal(err)
	}
	if _, body, _ := signals(t, infectioncontrol.Serving(nil, quiet), "GET", ""); !strings.Contains(body, `"sum":0,"signal":null`) {
		t.Errorf("a chart without a signal: %s", body)
	}
}

func TestWhatIsRefusedOfSignals(t *testing.T) {
	north, south := infectioncontrol.Invented(t), infectioncontrol.Bare(t, "invented-south", 3, surveil.Graft, "2026-01-05", "2027-06-08")
	failing := infectioncontrol.Serving(nil, north)
	failing.Watch = func(context.Context) ([]*surveil.Watch, error) { return nil, errors.New("the secret cause") }
	for _, c := range []struct {
		sentence, method, query string
		s                       *infectioncontrol.Service
		status                  int
		says                    string
	}{
		{"another method", "POST", "", infectioncontrol.Serving(nil, north), 405,
			"only GET is possible here; a signal is acknowledged by a message of the roster service"},
		{"a parameter twice", "GET", "?facility=a&facility=b", infectioncontrol.Serving(nil, north), 400,
			"facility is given 2 times. Give it once"},
		{"a parameter nobody knows", "GET", "?class=bloodstream", infectioncontrol.Serving(nil, north), 400,
			`parameter "class" is not known here. There is facility`},
		{"a facility nobody knows", "GET", "?facility=west", infectioncontrol.Serving(nil, north), 404,
			`facility "west" is not registered here. Choose one of: invented-north`},
		{"several facilities, none named", "GET", "", infectioncontrol.Serving(nil, north, south), 400,
			"the facility is not named. Choose one of: invented-north, invented-south"},
		{"a view that fails", "GET", "", failing, 500,
			"the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			status, body, log := signals(t, c.s, c.method, c.query)
			var e struct{ Error struct{ Text string } }
			if err := json.Unmarshal([]byte(body), &e); err != nil || status != c.status || e.Error.Text != c.says {
				t.Errorf("%d %s, want %d %q", status, body, c.status, c.says)
			}
			if strings.Contains(body, "secret") || (c.status == 500) != strings.Contains(log, "signals could not be reported") {
				t.Errorf("answer %s, log %s", body, log)
			}
		})
	}
}
