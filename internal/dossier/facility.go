package dossier

import (
	"context"
	"time"

	"cannulary/internal/surveil"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Facilities gathers the surveillance of every registered facility from one state of the view.
func Facilities(ctx context.Context, store *view.Store, state State) ([]*surveil.Watch, error) {
	fs, err := store.Facilities(ctx)
	if err != nil {
		return nil, err
	}
	var out []*surveil.Watch
	err = store.Reading(ctx, func(l view.Loader, _ view.Checkpoint) error {
		for _, f := range fs {
			asOf := surveil.DayOf(time.Unix(0, 0), nil)
			if d, err := surveil.ParseDay(f.Day); err == nil {
				asOf = d
			}
			w, err := Facility(l, f.ID, state.Zone(f.ID), asOf)
			if err != nil {
				return err
			}
			out = append(out, w)
		}
		return nil
	})
	return out, err
}

// Facility gathers a facility's surveillance as of a day.
func Facility(l view.Loader, facility string, zone *time.Location, asOf surveil.Day) (*surveil.Watch, error) {
	people, err := l.People(facility)
	if err != nil {
		return nil, err
	}
	w := &surveil.Watch{Zone: zone, Unit: surveil.Unit{Facility: facility, People: people, Censuses: map[surveil.Month]surveil.Census{},
		Since: surveil.First, AsOf: asOf}}
	began, known, err := l.FirstTreatment(facility)
	if err != nil {
		return nil, err
	}
	if known {
		w.Since = surveil.DayOf(began, zone)
	}
	items, err := ofFacilities(l, []string{FacilityTopic + facility, SurveillanceTopic + facility}, time.Time{})
	if err != nil {
		return nil, err
	}
	thresholds := map[surveil.ChartName]surveil.Threshold{}
	var acks []surveil.Acknowledgement
	for i := range items {
		it := &items[i]
		if it.Void || it.Facility != facility {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.FacilityRegistered:
			w.Name, w.Calendar = b.GetName(), surveil.CalendarOf(b)
			w.References = surveil.References(b.GetReferenceRates())
		case *cannularyv1.CensusCounted:
			if c, err := surveil.CensusOf(it.ID, b); err == nil {
				w.Censuses[c.Month] = c
			}
		case *cannularyv1.SurveillanceThresholdSet:
			n := ChartName(b.GetPattern(), b.GetInfectionClass())
			if old, ok := thresholds[n]; ok {
				w.Replaced = append(w.Replaced, old)
			}
			t := surveil.Threshold{ChartName: n, Fact: it.ID, Seq: it.Seq, Reference: b.GetReferencePer_100PatientMonths(),
				R: b.GetRateRatio(), H: b.GetThreshold(),
				InControl: b.GetInControlMonths(), SetBy: b.GetSetBy().GetValue(), From: surveil.DayOf(it.At, zone)}
			if t.Seen, err = l.Seen(it.ID); err != nil {
				return nil, err
			}
			thresholds[n] = t
		case *cannularyv1.SurveillanceSignalAcknowledged:
			a := surveil.Acknowledgement{ChartName: ChartName(b.GetPattern(), b.GetInfectionClass()), Fact: it.ID, Seq: it.Seq,
				On: surveil.DayOf(it.At, zone), By: b.GetAcknowledgedBy().GetValue(), Reason: b.GetReason()}
			if a.Seen, err = l.Seen(it.ID); err != nil {
				return nil, err
			}
			acks = append(acks, a)
		}
	}
	raised, err := l.Raised(facility)
	if err != nil {
		return nil, err
	}
	return w, w.Run(thresholds, raised, acks)
}

// ChartName names the sequential chart that a threshold or an acknowledgement is about.
func ChartName(p cannularyv1.NeedlingPattern, c cannularyv1.InfectionClass) surveil.ChartName {
	return surveil.ChartName{Technique: surveil.Watched(p), Class: surveil.ClassOf(c)}
}

// Registration is how a facility is registered; nil where it is not.
func Registration(l view.Loader, facility string) (*cannularyv1.FacilityRegistered, error) {
	items, err := ofFacilities(l, []string{FacilityTopic + facility}, time.Time{})
	var out *cannularyv1.FacilityRegistered
	for i := range items {
		if b, ok := items[i].Body.(*cannularyv1.FacilityRegistered); ok && !items[i].Void && items[i].Facility == facility {
			out = b
		}
	}
	return out, err
}
