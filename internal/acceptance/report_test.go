package acceptance_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/app"
	"cannulary/internal/cli"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/simulate"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// outbreak is a small unit whose constant-site patients have a hundred times the usual risk
// in the last month.
func outbreak() simulate.Scenario {
	s := scenario(10, 3)
	s.OutbreakFactor = 100
	return s
}

// The month's report of a real instance: through gRPC in, through the command out. It agrees
// with the MeasureReports that a quality office reads, names nobody, tells what was reported
// otherwise before, and is the same of the stopped instance.
func TestTheMonthsReport(t *testing.T) {
	t.Parallel()
	dir, sent := filepath.Join(t.TempDir(), "unit"), messages(t, outbreak())
	clock := testkit.NewClock(now())
	i := start(t, dir, func(c *app.Config) { c.Now = clock.Now })
	command := func(args ...string) (code int, stdout, stderr string) {
		var out, errs buffer
		code = cli.Run(patience(t), cli.Env{Stdout: &out, Stderr: &errs, Now: clock.Now, Version: "acceptance"}, append([]string{"report"}, args...))
		return code, out.String(), errs.String()
	}
	i.post(sent)
	var before infectioncontrol.Report
	if err := json.Unmarshal([]byte(i.must("/surveillance/report")), &before); err != nil {
		t.Fatal(err)
	}
	clock.Advance(48 * time.Hour)
	late := lateCulture(t, sent)
	i.post([]*cannularyv1.FeedRequest{late})
	sent = append(sent, late)
	out := filepath.Join(t.TempDir(), "report")
	if code, stdout, stderr := command("--http", "http://"+i.app.HTTPAddr(), "--out", out); code != 0 || stdout != "" {
		t.Fatalf("%d %s %s", code, stdout, stderr)
	}
	files := contents(t, out)
	if len(files) != 3 {
		t.Fatalf("%d files", len(files))
	}
	body, err := os.ReadFile(filepath.Join(out, "report.json"))
	if err != nil {
		t.Fatal(err)
	}
	var r infectioncontrol.Report
	if err := json.Unmarshal(body, &r); err != nil {
		t.Fatal(err)
	}
	// The clock stands on 4 April 2025: March is the last month that is over.
	if r.Month != "2025-03" || r.AsOf != "2025-04-04" || r.Lagging || r.Sequence == 0 || r.Sequence != i.last() {
		t.Errorf("month %s as of %s, lagging %v, sequence %d of %d", r.Month, r.AsOf, r.Lagging, r.Sequence, i.last())
	}

	t.Run("the outbreak shows", func(t *testing.T) {
		if len(r.Charts) != 1 || len(r.Charts[0].Signals) == 0 {
			t.Fatalf("no chart signals: %+v", r.Charts)
		}
		c := r.Charts[0]
		answered := 0
		for _, s := range c.Signals {
			if s.On != "" && s.By != "" && s.Reason != "" {
				answered++
			}
		}
		if c.Standing == (answered == len(c.Signals)) {
			t.Errorf("%d of %d signals are answered, and one stands: %v", answered, len(c.Signals), c.Standing)
		}
		if len(r.Cases) == 0 || !strings.Contains(c.Notice, "this signal notices a doubled rate after") {
			t.Errorf("%d cases; %s", len(r.Cases), c.Notice)
		}
	})

	t.Run("the list of cases has what the event form asks for", func(t *testing.T) {
		said := map[string]int{}
		for _, c := range r.Cases {
			for _, s := range append(c.Tested, c.Start, c.Outcome) {
				for _, want := range []string{"Vancomycin susceptible", "vancomycin: yes; blood taken for culture: yes", "loss of the access: no; death: no"} {
					if strings.Contains(s, want) {
						said[want]++
					}
				}
			}
		}
		if len(said) != 3 {
			t.Errorf("the cases say only %v", said)
		}
	})

	t.Run("MeasureReports tell the same figures", func(t *testing.T) {
		compared := 0
		for class, measure := range map[surveil.Class]string{surveil.AccessRelated: fhir.MeasureAccessRelated, surveil.Bloodstream: fhir.MeasureBloodstream, surveil.LocalAccess: fhir.MeasureLocalAccess} {
			m := figuresOf(t, i.must("/fhir/MeasureReport/"+fhir.MeasureReportID(r.Facility, measure, r.Month)))
			for _, x := range r.Rates {
				if x.Class != class || x.Window != infectioncontrol.WindowMonth || x.Group == surveil.Fistula {
					continue
				}
				for _, f := range []struct {
					group       string
					denominator *int
					rate        *infectioncontrol.Estimate
				}{{"rate-by-census", x.PatientMonths, x.PerHundred}, {"rate-by-access-days", &x.AccessDays, x.PerThousand}} {
					got, ok := m[f.group+" "+string(x.Group)]
					if !ok {
						if x.Events > 0 || x.AccessDays > 0 || x.PatientMonths != nil && *x.PatientMonths > 0 {
							t.Errorf("%s: no figures of %s by %s", class, x.Group, f.group)
						}
						continue
					}
					compared++
					if got.numerator == nil || *got.numerator != x.Events {
						t.Errorf("%s, %s: %v events, the report has %d", class, x.Group, got.numerator, x.Events)
					}
					if (got.denominator == nil) != (f.denominator == nil) || f.denominator != nil && *got.denominator != *f.denominator {
						t.Errorf("%s, %s, %s: denominators differ", class, x.Group, f.group)
					}
					// A MeasureReport has four decimals.
					if (got.score == nil) != (f.rate == nil) || f.rate != nil && math.Abs(*got.score-f.rate.Value) > 5.1e-5 {
						t.Errorf("%s, %s, %s: rates differ", class, x.Group, f.group)
					}
				}
			}
		}
		if compared < 12 {
			t.Errorf("only %d figures were compared", compared)
		}
	})

	t.Run("an infection that comes to be known late counts, and is no restatement on the day of the first report", func(t *testing.T) {
		events := func(r *infectioncontrol.Report) int {
			for _, x := range r.Rates {
				if x.Class == surveil.Bloodstream && x.Group == surveil.AllAccess && x.Window == infectioncontrol.WindowMonth {
					return x.Events
				}
			}
			return -1
		}
		if was, is := events(&before), events(&r); is != was+1 {
			t.Errorf("%d bloodstream infections of March, and one more was sent: %d", was, is)
		}
		// Reports are dated by the log's own clock, which no test moves.
		for _, x := range append(before.Restatements.List, r.Restatements.List...) {
			if x.FirstOn == x.NowOn {
				t.Errorf("restated on the day of the first report: %+v", x)
			}
		}
	})

	t.Run("nobody is named", func(t *testing.T) {
		identifiers, personal := identities(sent)
		patients := keys(query(t, dir, `SELECT id FROM resource WHERE type = 'Patient'`))
		others := keys(query(t, dir, `SELECT id FROM resource WHERE type IN ('Observation', 'Procedure', 'Encounter', 'Device', 'BodyStructure')`))
		if len(patients) < 10 || len(identifiers) < 10 || len(personal) < 20 || len(others) < 100 {
			t.Fatalf("%d patients, %d identifiers, %d names and dates, %d resources", len(patients), len(identifiers), len(personal), len(others))
		}
		for what, texts := range map[string][]string{"patient keys": patients, "identifiers": identifiers, "names and birth dates": personal, "resources": others} {
			if where := found(files, texts); len(where) > 0 {
				t.Errorf("%s: %d finds, for instance %v", what, len(where), where[:min(4, len(where))])
			}
		}
	})

	t.Run("it is refused in words", func(t *testing.T) {
		for query, says := range map[string]string{
			"facility=elsewhere": `facility \"elsewhere\" is not registered here. Choose one of: ` + r.Facility,
			"month=2025-05":      "month 2025-05 lies in the future: it is 2025-04-04 at " + r.Facility,
			"month=2024-06":      "month 2024-06 lies before the record of " + r.Facility + ", which begins on ",
		} {
			if code, body := i.get("/surveillance/report?" + query); code != http.StatusBadRequest && code != http.StatusNotFound || !strings.Contains(body, says) {
				t.Errorf("%s: %d %s", query, code, body)
			}
		}
	})

	i.stop()
	t.Run("the stopped instance tells the same", func(t *testing.T) {
		code, stdout, stderr := command("--data", dir, "--json", "--month", r.Month)
		if code != 0 || stdout != string(body) {
			t.Errorf("%d %s\n%.300s\n%.300s", code, stderr, stdout, body)
		}
	})
	t.Run("while the view is built again, no part of it is taken for all", func(t *testing.T) {
		rebuilt(t, dir, r, clock)
	})
}

// lateCulture is a positive blood culture of March that is sent in April, of a patient of whom
// none was sent before.
func lateCulture(t *testing.T, sent []*cannularyv1.FeedRequest) *cannularyv1.FeedRequest {
	t.Helper()
	cultured := map[string]bool{}
	for _, m := range sent {
		if m.GetSurveillance() != nil {
			cultured[m.GetSurveillance().GetEnvelope().GetPatient().GetValue()] = true
		}
	}
	for _, m := range sent {
		for _, f := range m.GetCannulation().GetFacts() {
			e := m.GetCannulation().GetEnvelope()
			if at := e.GetOccurredAt().AsTime(); f.GetSessionStarted() == nil || cultured[e.GetPatient().GetValue()] || at.Before(time.Date(2025, 3, 10, 0, 0, 0, 0, time.UTC)) || at.After(time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC)) {
				continue
			}
			e = proto.Clone(e).(*cannularyv1.Envelope)
			e.SourceMessageId, e.Session = "late-culture", nil
			return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Surveillance{Surveillance: &cannularyv1.RecordSurveillanceRequest{Envelope: e, Facts: []*cannularyv1.SurveillanceFact{
				{Fact: &cannularyv1.SurveillanceFact_CultureResulted{CultureResulted: &cannularyv1.CultureResulted{
					CollectedAt: e.OccurredAt, CollectedPrecision: cannularyv1.TimePrecision_TIME_PRECISION_MINUTE,
					Specimen: cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: cannularyv1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT, Growth: cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
					Organisms: []*cannularyv1.Organism{{Group: cannularyv1.OrganismGroup_ORGANISM_GROUP_ENTEROCOCCUS}},
				}}},
			}}}}
		}
	}
	t.Fatal("no patient was dialysed in March of whom no culture was sent")
	return nil
}

// rebuilt asks for the report while an instance builds its view from the log: an answer that
// does not say that it lags must be the whole one.
func rebuilt(t *testing.T, dir string, want infectioncontrol.Report, clock *testkit.Clock) {
	t.Helper()
	if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
		t.Fatal(err)
	}
	cfg := config(dir, &buffer{})
	cfg.Now = clock.Now
	a, err := app.New(patience(t), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	a.Start()
	lagged, wanted := 0, plain(t, want)
	for end := time.Now().Add(patient); ; {
		if time.Now().After(end) {
			t.Fatal("the report did not become complete")
		}
		code, body := get(t, "http://"+a.HTTPAddr()+"/surveillance/report?"+url.Values{"facility": {want.Facility}, "month": {want.Month}}.Encode())
		if code != http.StatusOK {
			continue // the facility, or the month, is not known yet
		}
		var r infectioncontrol.Report
		if err := json.Unmarshal([]byte(body), &r); err != nil {
			t.Fatal(err)
		}
		if r.Lagging {
			lagged++
			if !strings.HasPrefix(r.Notices[0], "This report is not complete:") {
				t.Fatalf("it lags, and first says %q", r.Notices[0])
			}
			continue
		}
		if got := plain(t, r); got != wanted {
			t.Errorf("an answer that does not lag differs:\n%.600s\n%.600s", got, wanted)
		}
		t.Logf("%d answers said that they lag", lagged)
		return
	}
}

// plain is a report without how far the log was read.
func plain(t *testing.T, r infectioncontrol.Report) string {
	t.Helper()
	r.Sequence, r.LogSequence = 0, 0
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

type measured struct {
	numerator, denominator *int
	score                  *float64
}

// figuresOf reads a MeasureReport by group and technique, "all" for the whole.
func figuresOf(t *testing.T, body string) map[string]measured {
	t.Helper()
	type concept struct{ Coding []struct{ Code string } }
	type counted struct {
		Code  concept
		Count *int
	}
	type quantity struct{ Value *float64 }
	var r struct {
		Group []struct {
			Code         concept
			Population   []counted
			MeasureScore *quantity
			Stratifier   []struct {
				Stratum []struct {
					Value        concept
					Population   []counted
					MeasureScore *quantity
				}
			}
		}
	}
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		t.Fatal(err)
	}
	out := map[string]measured{}
	put := func(key string, list []counted, score *quantity) {
		var m measured
		for _, p := range list {
			switch p.Code.Coding[0].Code {
			case "numerator":
				m.numerator = p.Count
			case "denominator":
				m.denominator = p.Count
			}
		}
		if score != nil {
			m.score = score.Value
		}
		out[key] = m
	}
	for _, g := range r.Group {
		group := g.Code.Coding[0].Code
		put(fmt.Sprintf("%s %s", group, surveil.AllAccess), g.Population, g.MeasureScore)
		for _, s := range g.Stratifier {
			for _, x := range s.Stratum {
				put(group+" "+strings.TrimPrefix(x.Value.Coding[0].Code, "technique-"), x.Population, x.MeasureScore)
			}
		}
	}
	return out
}
