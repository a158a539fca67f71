package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"cannulary/internal/record"
)

// The measures that are reported, by their ids.
const (
	MeasureAccessRelated = "access-related-bloodstream-infection"
	MeasureBloodstream   = "bloodstream-infection"
	MeasureLocalAccess   = "local-access-infection"
)

// MeasureReportSystem names a report by facility, measure and month.
const MeasureReportSystem = Base + "/NamingSystem/measure-report"

const measureReportStatus = "http://hl7.org/fhir/measure-report-status"

// UCUM units of the two rates; the parentheses belong to them: "/1000.d" would be a time.
const (
	unitPerHundredMonths = "/(100.mo)"
	unitPerThousandDays  = "/(1000.d)"
)

// MeasureReportView is one measure of one facility and month.
type MeasureReportView struct {
	Facility string
	Measure  string // its id
	Month    string // YYYY-MM
	// First and Last are the month's days, Date the day on which the figures were made,
	// YYYY-MM-DD.
	First, Last, Date string
	All               MeasureFigures
	Strata            []MeasureStratum
}

// MeasureStratum is the part of one technique.
type MeasureStratum struct {
	Technique string // surveil.Technique
	MeasureFigures
}

// MeasureFigures are the events with the two denominators.
type MeasureFigures struct {
	Events int
	// PatientMonths is that of the census and PerHundred the rate by it; nil where there is
	// no census.
	PatientMonths *int
	PerHundred    *float64
	AccessDays    int
	PerThousand   *float64 // nil where nobody was at risk
}

// MeasureReportID is the id of a facility's report of a measure and month.
func MeasureReportID(facility, measure, month string) string {
	return record.DerivedID("measure-report", record.FacilityID(facility), measure, month)
}

// MeasureReport renders a summary report: one group by the census and one by access-days,
// each stratified by technique. It errs where the technique is not known to this version.
func MeasureReport(c Context, v MeasureReportView) (Resource, error) {
	id := MeasureReportID(v.Facility, v.Measure, v.Month)
	m := model.MeasureReport{
		Id: &id, Identifier: identifier(MeasureReportSystem, v.Facility+"/"+v.Measure+"/"+v.Month),
		Status: model.MeasureReportStatusComplete, Type: model.MeasureReportTypeSummary,
		Measure: Base + "/Measure/" + v.Measure, Date: &v.Date,
		Reporter: new(reference("Organization", record.FacilityID(v.Facility))),
		Period:   model.Period{Start: &v.First, End: &v.Last},
		ImprovementNotation: coded("http://terminology.hl7.org/CodeSystem/measure-improvement-notation", "decrease",
			"Decreased score indicates improvement"),
	}
	for _, g := range []struct {
		code string
		of   func(MeasureFigures) (*int, *float64, string)
	}{
		{"rate-by-census", func(f MeasureFigures) (*int, *float64, string) {
			return f.PatientMonths, f.PerHundred, unitPerHundredMonths
		}},
		{"rate-by-access-days", func(f MeasureFigures) (*int, *float64, string) {
			return &f.AccessDays, f.PerThousand, unitPerThousandDays
		}},
	} {
		n, score, unit := g.of(v.All)
		group := model.MeasureReportGroup{Code: c.Options.concept(g.code), MeasureScore: rateOf(score, unit)}
		for _, p := range populations(v.All.Events, n) {
			group.Population = append(group.Population, model.MeasureReportGroupPopulation{Code: p.code, Count: p.count})
		}
		strat := model.MeasureReportGroupStratifier{Code: []model.CodeableConcept{*c.Options.concept("technique")}}
		for _, s := range v.Strata {
			value, err := c.Options.judged("technique-" + s.Technique)
			if err != nil {
				return Resource{}, fmt.Errorf("technique %w", err)
			}
			n, score, unit := g.of(s.MeasureFigures)
			stratum := model.MeasureReportGroupStratifierStratum{Value: value, MeasureScore: rateOf(score, unit)}
			for _, p := range populations(s.Events, n) {
				stratum.Population = append(stratum.Population, model.MeasureReportGroupStratifierStratumPopulation{Code: p.code,
					Count: p.count})
			}
			strat.Stratum = append(strat.Stratum, stratum)
		}
		if len(strat.Stratum) > 0 {
			group.Stratifier = []model.MeasureReportGroupStratifier{strat}
		}
		m.Group = append(m.Group, group)
	}
	return measureReport(c, &m)
}

// MeasureReportWithdrawn renders a stored report whose grounds were taken back: its status is
// "error", as R4 has no "entered-in-error" for it; date, YYYY-MM-DD, is the day on which it was
// withdrawn; all else stays. changed is false where it was withdrawn before. It errs where stored
// is no MeasureReport.
func MeasureReportWithdrawn(c Context, stored []byte, date string) (r Resource, changed bool, err error) {
	m, err := model.UnmarshalMeasureReport(stored)
	if err != nil {
		return Resource{}, false, fmt.Errorf("stored MeasureReport: %w", err)
	}
	if m.Id == nil || m.Reporter == nil || m.Period.Start == nil || m.Period.End == nil {
		return Resource{}, false, errors.New("stored MeasureReport: it lacks its id, reporter or period")
	}
	if m.Status == model.MeasureReportStatusError {
		return Resource{}, false, nil
	}
	m.Meta, m.Status, m.Date = nil, model.MeasureReportStatusError, &date
	r, err = measureReport(c, &m)
	return r, true, err
}

// measureReport is the resource with what it is found by.
func measureReport(c Context, m *model.MeasureReport) (Resource, error) {
	body, err := m.MarshalJSON()
	if err != nil {
		return Resource{}, err
	}
	var ix Index
	ix.identifiers(m.Identifier)
	ix.token("status", measureReportStatus, m.Status.Code())
	ix.References = append(ix.References, Reference{Param: "measure", Type: "Measure", ID: strings.TrimPrefix(m.Measure, Base+"/Measure/")})
	ix.refs("reporter", *m.Reporter)
	for _, d := range []struct{ param, first, last string }{{"date", *m.Date, *m.Date}, {"period", *m.Period.Start, *m.Period.End}} {
		p, err := days(d.param, d.first, d.last, c.Zone)
		if err != nil {
			return Resource{}, err
		}
		ix.Dates = append(ix.Dates, p)
	}
	return Resource{Type: "MeasureReport", ID: *m.Id, Body: body, Index: ix, Profile: profileMeasureReport}, nil
}

// days is the period from one date to another, both included, in a zone.
func days(param, first, last string, zone *time.Location) (Period, error) {
	if zone == nil {
		zone = time.UTC
	}
	from, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return Period{}, err
	}
	to, err := time.Parse(time.DateOnly, last)
	begin := func(t time.Time) time.Time { return midnight(t.Year(), t.Month(), t.Day(), zone) }
	return Period{Param: param, Low: begin(from), High: begin(to.AddDate(0, 0, 1))}, err
}

type population struct {
	code  *model.CodeableConcept
	count *int
}

func populations(events int, denominator *int) []population {
	const system = "http://terminology.hl7.org/CodeSystem/measure-population"
	out := []population{{coded(system, "numerator", "Numerator"), &events}}
	if denominator != nil {
		out = append(out, population{coded(system, "denominator", "Denominator"), denominator})
	}
	return out
}

// rateOf is a rate with its unit; nil where there is none.
func rateOf(v *float64, unit string) *model.Quantity {
	if v == nil {
		return nil
	}
	words := "per 100 patient-months"
	if unit == unitPerThousandDays {
		words = "per 1,000 access-days"
	}
	q := quantity(round4(*v), unit)
	q.Unit = &words
	return q
}

// round4 keeps what a rate of so few events can tell.
func round4(v float64) float64 {
	n := json.Number(fmt.Sprintf("%.4f", v))
	f, err := n.Float64()
	if err != nil {
		return v
	}
	return f
}

// MeasureReportDate reads the date of a stored report; empty where it has none.
func MeasureReportDate(stored []byte) string {
	var r struct {
		Date string `json:"date"`
	}
	if json.Unmarshal(stored, &r) != nil {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, r.Date); err != nil {
		return ""
	}
	return r.Date
}
