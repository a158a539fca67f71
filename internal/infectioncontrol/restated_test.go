package infectioncontrol

import (
	"context"
	"errors"
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

// stored renders a report as the projector does.
func stored(t *testing.T, date string, events, days int, census *int, strata ...fhir.MeasureStratum) fhir.Resource {
	t.Helper()
	v := fhir.MeasureReportView{Facility: "invented-north", Measure: fhir.MeasureAccessRelated, Month: "2026-12", First: "2026-12-01",
		Last: "2026-12-31", Date: date,
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
		{"one version", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil)},
			"No figure of the year's months has changed since it was first reported.", nil},
		{"two versions with the same figures", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil),
			stored(t, "2027-01-03", 2, 1860, nil)}, "No figure of the year's months has changed since it was first reported.", nil},
		{"changed only on the day of the first report", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil),
			stored(t, "2027-01-01", 3, 1860, nil)}, "No figure of the year's months has changed since it was first reported.", nil},
		{"an infection known late, a census, a technique", []fhir.Resource{stored(t, "2027-01-01", 1, 1, nil),
			stored(t, "2027-01-01", 2, 1860, nil), stored(t, "2027-01-03", 9, 9, nil), stored(t, "2027-01-06", 3, 1860, &sixty, constant)},
			"These figures are no longer what was first reported: facts came late or were corrected.",
			[]string{"all events 2 (2027-01-01) 3 (2027-01-06)", "all patient-months none (2027-01-01) 60 (2027-01-06)",
				"constant-site events 0 (2027-01-01) 1 (2027-01-06)", "constant-site access-days 0 (2027-01-01) 31 (2027-01-06)"}},
		{"withdrawn", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), withdrawn(t, "2027-01-03", 2, 1860)},
			"Withdrawn, as nothing of the month is on record any more: 2026-12.", nil},
		{"withdrawn on the day of the first report", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil),
			withdrawn(t, "2027-01-01", 2, 1860)},
			"No figure of the year's months has changed since it was first reported.", nil},
		{"withdrawn and made again", []fhir.Resource{stored(t, "2027-01-01", 2, 1860, nil), withdrawn(t, "2027-01-03", 2, 1860),
			stored(t, "2027-01-06", 2, 1800, nil)},
			"These figures are no longer what was first reported: facts came late or were corrected.",
			[]string{"all access-days 1860 (2027-01-01) 1800 (2027-01-06)"}},
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
				got = append(got, strings.Join([]string{string(x.Group), x.Figure, count(x.First), "(" + x.FirstOn + ")", count(x.Now),
					"(" + x.NowOn + ")"}, " "))
			}
			if r.Restatements.Says != c.says || strings.Join(got, "\n") != strings.Join(c.want, "\n") {
				t.Errorf("%s\n%s", r.Restatements.Says, strings.Join(got, "\n"))
			}
		})
	}
}
