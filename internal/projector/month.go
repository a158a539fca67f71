package projector

import (
	"maps"
	"slices"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// report restates the months of a facility that are over: those whose infections the event
// changed, and with a census, a registration or a new day all that changed and those that
// ended since. A month in which nobody was at risk and nothing happened has no report; where it
// had one, that is withdrawn.
func (p *Projector) report(c *change, facility string, m *moved, w *surveil.Watch) error {
	months := map[surveil.Month]bool{}
	for month := range m.events {
		months[month] = true
	}
	if m.day || m.facts || m.registered {
		changed, err := c.tx.ToRestate(facility)
		if err != nil {
			return err
		}
		for _, month := range changed {
			months[month] = true
		}
		if err := p.ended(c, facility, w, months); err != nil {
			return err
		}
	}
	for _, month := range slices.Sorted(maps.Keys(months)) {
		if !w.Over(month) {
			continue // not over; its end reports it
		}
		render := p.withdraw
		if reportable(w, month) {
			render = p.measure
		}
		for _, class := range infections() {
			if err := render(c, w, class, month); err != nil {
				return err
			}
		}
		if err := c.tx.Restated(facility, month); err != nil {
			return err
		}
	}
	return nil
}

// ended adds the months that ended and were not reported yet, from the first of which
// anything is known.
func (p *Projector) ended(c *change, facility string, w *surveil.Watch, months map[surveil.Month]bool) error {
	last, known, err := c.tx.Reported(facility)
	if err != nil {
		return err
	}
	if !known {
		if w.Since == surveil.First {
			return nil // nothing to report before the first treatment
		}
		last = w.Since.Month() - 1
	}
	over := w.AsOf.Month() - 1
	for month := last + 1; month <= over; month++ {
		months[month] = true
	}
	if known && over <= last {
		return nil
	}
	return c.tx.SetReported(facility, max(last, over))
}

// infections are the classes that are reported.
func infections() []surveil.Class {
	return []surveil.Class{surveil.AccessRelated, surveil.Bloodstream, surveil.LocalAccess}
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
	return slices.ContainsFunc(infections(), func(class surveil.Class) bool {
		return len(w.Cases(class, surveil.AllAccess, month.First(), month.Last())) > 0
	})
}

// measures are the published measures by class.
var measures = map[surveil.Class]string{surveil.AccessRelated: fhir.MeasureAccessRelated, surveil.Bloodstream: fhir.MeasureBloodstream, surveil.LocalAccess: fhir.MeasureLocalAccess}

// measure renders one report. Its date is the day on which its figures were first so.
func (p *Projector) measure(c *change, w *surveil.Watch, class surveil.Class, month surveil.Month) error {
	v := fhir.MeasureReportView{Facility: w.Facility, Measure: measures[class], Month: month.String(), First: month.First().String(), Last: month.Last().String()}
	v.All = figures(w, class, surveil.AllAccess, month)
	for _, t := range surveil.Techniques() {
		f := figures(w, class, surveil.Group(t), month)
		if f.Events > 0 || f.AccessDays > 0 || f.PatientMonths != nil {
			v.Strata = append(v.Strata, fhir.MeasureStratum{Technique: string(t), MeasureFigures: f})
		}
	}
	stored, err := c.tx.Body(view.ResourceKey{Type: "MeasureReport", ID: fhir.MeasureReportID(w.Facility, v.Measure, v.Month)})
	if err != nil {
		return err
	}
	render := func(date string) (fhir.Resource, error) {
		v.Date = date
		r, err := fhir.MeasureReport(p.context(c, w.Facility), v)
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
		if same, err := c.tx.Same(r); err != nil || same {
			return err
		}
	}
	r, err := render(surveil.DayOf(c.updated, w.Zone).String())
	if err != nil {
		return err
	}
	return c.put(r)
}

// withdraw takes a report back that has no grounds any more; where there was none it makes none.
func (p *Projector) withdraw(c *change, w *surveil.Watch, class surveil.Class, month surveil.Month) error {
	id := fhir.MeasureReportID(w.Facility, measures[class], month.String())
	stored, err := c.tx.Body(view.ResourceKey{Type: "MeasureReport", ID: id})
	if err != nil || stored == nil {
		return err
	}
	r, changed, err := fhir.MeasureReportWithdrawn(p.context(c, w.Facility), stored, surveil.DayOf(c.updated, w.Zone).String())
	if err != nil {
		return &unclearError{err: err}
	}
	if !changed {
		return nil
	}
	return c.put(r)
}

// figures are the plain rates; a MeasureReport has no place for limits.
func figures(w *surveil.Watch, class surveil.Class, g surveil.Group, month surveil.Month) fhir.MeasureFigures {
	l := w.Counts(class, g, surveil.One(month))
	f := fhir.MeasureFigures{Events: l.Events, AccessDays: l.AccessDays}
	if l.AccessDays > 0 {
		rate := float64(l.Events) * 1000 / float64(l.AccessDays)
		f.PerThousand = &rate
	}
	switch l.NoCensus {
	case "":
		rate := float64(l.Events) * 100 / float64(l.PatientMonths)
		f.PatientMonths, f.PerHundred = &l.PatientMonths, &rate
	case surveil.CensusNobody: // counted, and 0: that is known
		f.PatientMonths = &l.PatientMonths
	}
	return f
}
