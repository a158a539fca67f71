package infectioncontrol

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
	"time"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// kept is a view that was given the resources one after another, a day apart.
func kept(t *testing.T, list ...fhir.Resource) *view.Store {
	t.Helper()
	s, err := view.Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	for i, r := range list {
		tx, err := s.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer tx.Rollback()
		at := time.Date(2027, 1, 1+i, 6, 0, 0, 0, time.UTC)
		if _, _, err := tx.Put(r, uint64(i+1), at); err != nil {
			t.Fatal(err)
		}
		if err := tx.SetCheckpoint(view.Checkpoint{Seq: uint64(i + 1)}); err != nil {
			t.Fatal(err)
		}
		if err := tx.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// corrupt answers what is no report; broken fails.
type corrupt struct{}

func (corrupt) History(context.Context, view.HistoryQuery) (view.HistoryPage, bool, error) {
	return view.HistoryPage{Rows: []view.Row{{Version: 1, Body: []byte("no JSON")}}}, true, nil
}

type broken struct{}

func (broken) History(context.Context, view.HistoryQuery) (view.HistoryPage, bool, error) {
	return view.HistoryPage{}, false, errors.New("the secret cause")
}

func service(h Histories, all ...*surveil.Watch) *Service {
	return &Service{
		Watch:     func(context.Context) ([]*surveil.Watch, error) { return all, nil },
		Knowledge: func(context.Context) Knowledge { return Knowledge{Sequence: 7, LogSequence: 9} },
		Histories: h,
	}
}

func ask(t *testing.T, s *Service, method, query string) (*http.Response, string, string) {
	t.Helper()
	var log bytes.Buffer
	w := httptest.NewRecorder()
	s.ReportHandler(slog.New(slog.NewTextHandler(&log, nil))).ServeHTTP(w, httptest.NewRequest(method, "/surveillance/report"+query, nil))
	body, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(body), log.String()
}

func TestWhatIsRefused(t *testing.T) {
	north := invented(t)
	south := bare(t, "invented-south", 3, surveil.Graft, "2026-01-05", "2027-06-08")
	young := bare(t, "young", 3, surveil.Graft, "2027-06-02", "2027-06-08")
	asleep := bare(t, "asleep", 3, surveil.Graft, "1970-01-01", "1970-01-01")
	empty := kept(t)
	for _, c := range []struct {
		sentence, method, query string
		s                       *Service
		status                  int
		code, says              string
	}{
		{"another method", http.MethodPost, "", service(empty, north), 405, "method-not-allowed", "only GET is possible here; a report is made anew each time that it is asked for"},
		{"a parameter twice", "GET", "?month=2027-05&month=2027-04", service(empty, north), 400, "invalid", "month is given 2 times. Give it once"},
		{"a query that cannot be read", "GET", "?month=2027-04%zz", service(empty, north), 400, "invalid", "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
		{"a semicolon for an ampersand", "GET", "?facility=west;month=2027-04", service(empty, north), 400, "invalid", "the query of the URL cannot be read. Write a percent sign as %25, a semicolon as %3B and a vertical bar as %7C"},
		{"a parameter nobody knows", "GET", "?year=2027", service(empty, north), 400, "invalid", `parameter "year" is not known here. There are facility, format, month`},
		{"a form nobody knows", "GET", "?format=pdf", service(empty, north), 400, "invalid", `format: "pdf" is not known here. Choose json, html or csv`},
		{"a month that is none", "GET", "?month=May", service(empty, north), 400, "invalid", `month: "May" is no month. Write YYYY-MM, for instance 2027-05`},
		{"a thirteenth month", "GET", "?month=2027-13", service(empty, north), 400, "invalid", `month: "2027-13" is no month. Write YYYY-MM, for instance 2027-05`},
		{"a month in the future", "GET", "?month=2027-07", service(empty, north), 400, "invalid", "month 2027-07 lies in the future: it is 2027-06-08 at invented-north. Choose 2027-06 or an earlier one"},
		{"a month before the record", "GET", "?month=2025-12", service(empty, north), 400, "invalid", "month 2025-12 lies before the record of invented-north, which begins on 2026-01-05. Choose one up to 2027-06"},
		{"no month is over", "GET", "", service(empty, young), 400, "invalid", "no month is over yet at young, whose record begins on 2027-06-02. Name the month, 2027-06, for its figures so far"},
		{"no day has begun", "GET", "", service(empty, asleep), 400, "invalid", "no day has begun on record at asleep, so there is nothing to report. Send its first messages, or wait until the register has begun the day there"},
		{"a facility nobody knows", "GET", "?facility=west", service(empty, north), 404, "not-found", `facility "west" is not registered here. Choose one of: invented-north`},
		{"several facilities, none named", "GET", "", service(empty, north, south), 400, "invalid", "the facility is not named. Choose one of: invented-north, invented-south"},
		{"no facility at all", "GET", "", service(empty), 400, "invalid", "the facility is not named. Choose one of: none is registered yet"},
		{"a view that fails", "GET", "", service(broken{}, north), 500, "internal", "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"},
		{"a stored report that is none", "GET", "", service(corrupt{}, north), 500, "internal", "the service failed to answer."},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			resp, body, log := ask(t, c.s, c.method, c.query)
			var e struct{ Error struct{ Code, Text string } }
			if err := json.Unmarshal([]byte(body), &e); err != nil || resp.StatusCode != c.status || e.Error.Code != c.code || !strings.HasPrefix(e.Error.Text, c.says) {
				t.Errorf("%d %s, want %d %s %q", resp.StatusCode, body, c.status, c.code, c.says)
			}
			if strings.Contains(body, "secret") || (c.status == 500) != strings.Contains(log, "a report was not made") {
				t.Errorf("answer %s, log %s", body, log)
			}
		})
	}
}

func TestFormsOfTheReport(t *testing.T) {
	s := service(kept(t), invented(t))
	for _, c := range []struct{ query, media, begins string }{
		{"", "application/json", `{"facility":"invented-north","name":"Invented Unit North","month":"2027-05","year":"2026-06 to 2027-05","asOf":"2027-06-08","sequence":7,"logSequence":9,`},
		{"?format=json&month=2027-04&facility=invented-north", "application/json", `{"facility":"invented-north","name":"Invented Unit North","month":"2027-04"`},
		{"?format=html", "text/html; charset=utf-8", "<!doctype html>"},
		{"?format=csv", "text/csv; charset=utf-8; header=present", "facility,month,window,"},
	} {
		resp, body, _ := ask(t, s, "GET", c.query)
		if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != c.media || !strings.HasPrefix(body, c.begins) || resp.Header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: %d %v %.120s", c.query, resp.StatusCode, resp.Header, body)
		}
		if policy := resp.Header.Get("Content-Security-Policy"); (c.media == "text/html; charset=utf-8") != strings.HasPrefix(policy, "default-src 'none';") {
			t.Errorf("%s: policy %q", c.query, policy)
		}
	}
}

// stored renders a report as the projector does.
func stored(t *testing.T, date string, events, days int, census *int, strata ...fhir.MeasureStratum) fhir.Resource {
	t.Helper()
	v := fhir.MeasureReportView{Facility: "invented-north", Measure: fhir.MeasureAccessRelated, Month: "2026-12", First: "2026-12-01", Last: "2026-12-31", Date: date,
		All: fhir.MeasureFigures{Events: events, AccessDays: days, PatientMonths: census}, Strata: strata}
	r, err := fhir.MeasureReport(fhir.Context{}, v)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// withdrawn is such a report taken back on a date.
func withdrawn(t *testing.T, date string, events, days int) fhir.Resource {
	t.Helper()
	r, changed, err := fhir.MeasureReportWithdrawn(fhir.Context{}, stored(t, "2027-01-01", events, days, nil).Body, date)
	if err != nil || !changed {
		t.Fatal(changed, err)
	}
	return r
}

func TestFiguresThatWereReportedOtherwise(t *testing.T) {
	sixty := 60
	constant := fhir.MeasureStratum{Technique: string(surveil.ConstantSite), MeasureFigures: fhir.MeasureFigures{Events: 1, AccessDays: 31}}
	for _, c := range []struct {
		sentence string
		list     []fhir.Resource
		says     string
		want     []string
	}{
		{"nothing was reported", nil, "No month of the year has been reported yet.", nil},
		{"one version", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil)}, "No figure of the year's months has changed since it was first reported.", nil},
		{"two versions with the same figures", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), stored(t, "2027-01-03", 2, 1860, nil)}, "No figure of the year's months has changed since it was first reported.", nil},
		{"changed only on the day of the first report", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), stored(t, "2027-01-01", 3, 1860, nil)}, "No figure of the year's months has changed since it was first reported.", nil},
		{"an infection known late, a census, a technique", []fhir.Resource{stored(t, "2027-01-01", 1, 1, nil), stored(t, "2027-01-01", 2, 1860, nil), stored(t, "2027-01-03", 9, 9, nil), stored(t, "2027-01-06", 3, 1860, &sixty, constant)},
			"These figures are no longer what was first reported: facts came late or were corrected.",
			[]string{"all events 2 (2027-01-01) 3 (2027-01-06)", "all patient-months none (2027-01-01) 60 (2027-01-06)", "constant-site events 0 (2027-01-01) 1 (2027-01-06)", "constant-site access-days 0 (2027-01-01) 31 (2027-01-06)"}},
		{"withdrawn", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), withdrawn(t, "2027-01-03", 2, 1860)},
			"Withdrawn, as nothing of the month is on record any more: 2026-12.", nil},
		{"withdrawn on the day of the first report", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), withdrawn(t, "2027-01-01", 2, 1860)},
			"No figure of the year's months has changed since it was first reported.", nil},
		{"withdrawn and made again", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), withdrawn(t, "2027-01-03", 2, 1860), stored(t, "2027-01-06", 2, 1800, nil)},
			"These figures are no longer what was first reported: facts came late or were corrected.", []string{"all access-days 1860 (2027-01-01) 1800 (2027-01-06)"}},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			r, err := service(kept(t, c.list...), invented(t)).Report(t.Context(), ReportRequest{})
			if err != nil {
				t.Fatal(err)
			}
			count := func(n *int) string {
				if n == nil {
					return "none"
				}
				return whole(n)
			}
			var got []string
			for _, x := range r.Restatements.List {
				if x.Month != "2026-12" || (x.Class == surveil.AccessRelated) != (x.Figure == figureEvents) {
					t.Errorf("%+v", x)
				}
				got = append(got, strings.Join([]string{string(x.Group), x.Figure, count(x.First), "(" + x.FirstOn + ")", count(x.Now), "(" + x.NowOn + ")"}, " "))
			}
			if r.Restatements.Says != c.says || strings.Join(got, "\n") != strings.Join(c.want, "\n") {
				t.Errorf("%s\n%s", r.Restatements.Says, strings.Join(got, "\n"))
			}
		})
	}
}
