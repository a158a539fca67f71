package projector

import (
	"maps"
	"slices"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// restate reports again the months of a facility that are over: those whose infections the event
// changed, and with a census, a registration or a new day all that changed and those that
// ended since. A month in which nobody was at risk and nothing happened has no report; where it
// had one, that is withdrawn.
func (w *writer) restate(facility string, c *facilityChange, watch *surveil.Watch) error {
	months := map[surveil.Month]bool{}
	for month := range c.cases {
		months[month] = true
	}
	if c.day || c.facts || c.registered {
		changed, err := w.tx.ToRestate(facility)
		if err != nil {
			return err
		}
		for _, month := range changed {
			months[month] = true
		}
		if err := w.ended(facility, watch, months); err != nil {
			return err
		}
	}
	for _, month := range slices.Sorted(maps.Keys(months)) {
		if !watch.Over(month) {
			continue // not over; its end reports it
		}
		render := w.withdraw
		if reportable(watch, month) {
			render = w.measure
		}
		for _, class := range surveil.Infections() {
			if err := render(watch, class, month); err != nil {
				return err
			}
		}
		if err := w.tx.Restated(facility, month); err != nil {
			return err
		}
	}
	return nil
}

// ended adds the months that ended and were not reported yet, from the first of which
// anything is known.
func (w *writer) ended(facility string, watch *surveil.Watch, months map[surveil.Month]bool) error {
	last, known, err := w.tx.Reported(facility)
	if err != nil {
		return err
	}
	if !known {
		if watch.Since == surveil.First {
			return nil // nothing to report before the first treatment
		}
		last = watch.Since.Month() - 1
	}
	over := watch.AsOf.Month() - 1
	for month := last + 1; month <= over; month++ {
		months[month] = true
	}
	if known && over <= last {
		return nil
	}
	return w.tx.SetReported(facility, max(last, over))
}

// reportable tells of the months that have a report: those of the record in which somebody was
// at risk, by the roster or the census, or an infection happened.
func reportable(w *surveil.Watch, month surveil.Month) bool {
	if w.Since == surveil.First || month.Last() < w.Since {
		return false // before the record
	}
	census := w.Censuses[month]
	if n, _ := census.Patients(surveil.AllAccess); n > 0 || w.AccessDays(surveil.AllAccess, surveil.One(month)) > 0 {
		return true
	}
	return slices.ContainsFunc(surveil.Infections(), func(class surveil.Class) bool {
		return len(w.Cases(class, surveil.AllAccess, month.First(), month.Last())) > 0
	})
}

// measures are the published measures by class.
var measures = map[surveil.Class]string{surveil.AccessRelated: fhir.MeasureAccessRelated, surveil.Bloodstream: fhir.MeasureBloodstream,
	surveil.LocalAccess: fhir.MeasureLocalAccess}

// measure renders one report. Its date is the day on which its figures were first so.
func (w *writer) measure(watch *surveil.Watch, class surveil.Class, month surveil.Month) error {
	v := fhir.MeasureReportView{Facility: watch.Facility, Measure: measures[class], Month: month.String(), First: month.First().String(),
		Last: month.Last().String()}
	v.All = figures(watch, class, surveil.AllAccess, month)
	for _, t := range surveil.Techniques() {
		f := figures(watch, class, surveil.Group(t), month)
		if f.Events > 0 || f.AccessDays > 0 || f.PatientMonths != nil {
			v.Strata = append(v.Strata, fhir.MeasureStratum{Technique: string(t), MeasureFigures: f})
		}
	}
	stored, err := w.tx.Body(view.ResourceKey{Type: "MeasureReport", ID: fhir.MeasureReportID(watch.Facility, v.Measure, v.Month)})
	if err != nil {
		return err
	}
	c, err := w.context("", watch.Facility)
	if err != nil {
		return err
	}
	render := func(date string) (fhir.Resource, error) {
		v.Date = date
		r, err := fhir.MeasureReport(c, v)
		if err != nil {
			return r, &unclearError{err: err}
		}
		return r, nil
	}
	if kept := fhir.MeasureReportDate(stored); kept != "" {
		r, err := render(kept)
		if err != nil {
			return err
		}
		if same, err := w.tx.Same(r); err != nil || same {
			return err
		}
	}
	r, err := render(surveil.DayOf(w.updated, watch.Zone).String())
	if err != nil {
		return err
	}
	return w.put(r)
}

// withdraw withdraws a report that has no grounds any more. Where there was none it makes none.
func (w *writer) withdraw(watch *surveil.Watch, class surveil.Class, month surveil.Month) error {
	id := fhir.MeasureReportID(watch.Facility, measures[class], month.String())
	stored, err := w.tx.Body(view.ResourceKey{Type: "MeasureReport", ID: id})
	if err != nil || stored == nil {
		return err
	}
	c, err := w.context("", watch.Facility)
	if err != nil {
		return err
	}
	r, changed, err := fhir.MeasureReportWithdrawn(c, stored, surveil.DayOf(w.updated, watch.Zone).String())
	if err != nil {
		return &unclearError{err: err}
	}
	if !changed {
		return nil
	}
	return w.put(r)
}

// figures are the plain rates; a MeasureReport has no place for limits.
func figures(w *surveil.Watch, class surveil.Class, g surveil.Group, month surveil.Month) fhir.MeasureFigures {
	l := w.Counts(class, g, surveil.One(month))
	f := fhir.MeasureFigures{Events: l.Events, AccessDays: l.AccessDays}
	if l.AccessDays > 0 {
		f.PerThousand = new(float64(l.Events) * 1000 / float64(l.AccessDays))
	}
	switch l.NoCensus {
	case "":
		f.PatientMonths, f.PerHundred = &l.PatientMonths, new(float64(l.Events)*100/float64(l.PatientMonths))
	case surveil.CensusNobody: // counted, and 0: that is known
		f.PatientMonths = &l.PatientMonths
	}
	return f
}
