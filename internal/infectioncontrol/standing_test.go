package infectioncontrol

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/surveil"
)

func signals(t *testing.T, s *Service, method, query string) (status int, body, log string) {
	t.Helper()
	var b bytes.Buffer
	w := httptest.NewRecorder()
	s.SignalsHandler(slog.New(slog.NewTextHandler(&b, nil))).ServeHTTP(w, httptest.NewRequest(method, "/surveillance/signals"+query, nil))
	if got := w.Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control is %q", got)
	}
	return w.Code, w.Body.String(), b.String()
}

func TestTheSignalsThatStand(t *testing.T) {
	north := invented(t)
	status, body, _ := signals(t, service(nil, north), "GET", "?facility=invented-north")
	var got Signals
	if err := json.Unmarshal([]byte(body), &got); err != nil || status != 200 {
		t.Fatalf("%d %s %v", status, body, err)
	}
	if got.Facility != "invented-north" || got.AsOf != "2027-06-08" || got.Lagging || got.Caution != Caution || len(got.Charts) != 1 {
		t.Fatalf("%+v", got)
	}
	c := got.Charts[0]
	// As the golden report has it: raised again on 2027-03-02 after the answer of 2027-01-11.
	if c.Technique != surveil.ConstantSite || c.Class != surveil.AccessRelated || c.Threshold != 1.9 || c.SetBy != "S-900" || c.From != "2026-02-02" || c.Sum <= 1.9 || c.Signal == nil || c.Signal.Day != "2027-03-02" {
		t.Errorf("%+v %+v", c, c.Signal)
	}
	quiet := bare(t, "quiet", 9, surveil.ConstantSite, "2026-01-05", "2027-06-08")
	if _, body, _ := signals(t, service(nil, quiet), "GET", ""); !strings.Contains(body, `"facility":"quiet"`) || !strings.Contains(body, `"charts":[]`) {
		t.Errorf("without a threshold: %s", body)
	}
	n := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	if err := quiet.Run(map[surveil.ChartName]surveil.Threshold{n: {ChartName: n, Reference: 0.26, R: 2, H: 2, SetBy: "S-1", From: quiet.AsOf - 3}}, nil, nil); err != nil {
		t.Fatal(err)
	}
	if _, body, _ := signals(t, service(nil, quiet), "GET", ""); !strings.Contains(body, `"sum":0,"signal":null`) {
		t.Errorf("a chart without a signal: %s", body)
	}
}

func TestWhatIsRefusedOfSignals(t *testing.T) {
	north, south := invented(t), bare(t, "invented-south", 3, surveil.Graft, "2026-01-05", "2027-06-08")
	failing := service(nil, north)
	failing.Watch = func(context.Context) ([]*surveil.Watch, error) { return nil, errors.New("the secret cause") }
	for _, c := range []struct {
		sentence, method, query string
		s                       *Service
		status                  int
		says                    string
	}{
		{"another method", "POST", "", service(nil, north), 405, "only GET is possible here; a signal is acknowledged by a message of the roster service"},
		{"a parameter twice", "GET", "?facility=a&facility=b", service(nil, north), 400, "facility is given 2 times. Give it once"},
		{"a parameter nobody knows", "GET", "?class=bloodstream", service(nil, north), 400, `parameter "class" is not known here. There is facility`},
		{"a facility nobody knows", "GET", "?facility=west", service(nil, north), 404, `facility "west" is not registered here. Choose one of: invented-north`},
		{"several facilities, none named", "GET", "", service(nil, north, south), 400, "the facility is not named. Choose one of: invented-north, invented-south"},
		{"a view that fails", "GET", "", failing, 500, "the service failed to answer. Try again; if it stays, tell the operator, whose log has the cause"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			status, body, log := signals(t, c.s, c.method, c.query)
			var e struct{ Error struct{ Text string } }
			if err := json.Unmarshal([]byte(body), &e); err != nil || status != c.status || e.Error.Text != c.says {
				t.Errorf("%d %s, want %d %q", status, body, c.status, c.says)
			}
			if strings.Contains(body, "secret") || (c.status == 500) != strings.Contains(log, "signals were not told") {
				t.Errorf("answer %s, log %s", body, log)
			}
		})
	}
}

func TestTheReportTellsOfAnswersToNoSignal(t *testing.T) {
	bloodstream := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.Bloodstream}
	standing := surveil.ChartName{Technique: surveil.ConstantSite, Class: surveil.AccessRelated}
	for _, c := range []struct {
		sentence, month string
		ack             surveil.Acknowledgement
		want            string
	}{
		{"of another class", "2027-05", surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-05-04"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-05-04 (Fistula, constant-site, bloodstream infection) answered no signal: none of that chart stood when it came. If another chart was meant, acknowledge that one."},
		{"after the month, before the report is made", "2027-05", surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-06-03"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-06-03 (Fistula, constant-site, bloodstream infection) answered no signal: none of that chart stood when it came. If another chart was meant, acknowledge that one."},
		{"before the signal was given", "2027-02", surveil.Acknowledgement{ChartName: standing, On: day(t, "2027-02-04"), By: "S-77"},
			"The acknowledgement by S-77 on 2027-02-04 (Fistula, constant-site, access-related bloodstream infection) answered no signal: none of that chart stood when it came. The signal that stands there now was given later: acknowledge it anew."},
		{"of an earlier month", "2027-05", surveil.Acknowledgement{ChartName: bloodstream, On: day(t, "2027-04-30"), By: "S-77"}, ""},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			w := invented(t)
			w.Unmatched = []surveil.Acknowledgement{c.ack}
			r := report(t, w, c.month, Knowledge{})
			i := slices.IndexFunc(r.Notices, func(n string) bool { return strings.HasPrefix(n, "The acknowledgement by") })
			if got := append(r.Notices, "")[max(0, i)]; c.want != "" && got != c.want || c.want == "" && i >= 0 {
				t.Errorf("%q", r.Notices)
			}
		})
	}
}

func TestAThresholdKnowsTheChartAsItIsSet(t *testing.T) {
	s := service(nil, invented(t))
	ask := ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated, RateRatio: 2, InControlMonths: 120}
	got, err := s.Threshold(t.Context(), ask)
	if err != nil || got.Current == nil || got.Current.SetBy != "S-900" || got.Current.Threshold != 1.9 || got.Current.Signal == nil {
		t.Errorf("%v %+v", err, got.Current)
	}
	ask.Class, ask.Reference = surveil.Bloodstream, 0.26
	if got, err := s.Threshold(t.Context(), ask); err != nil || got.Current != nil {
		t.Errorf("%v %+v of a chart that is not set", err, got.Current)
	}
}
