package needling

import (
	"time"

	"cannulary/internal/record"
	"cannulary/internal/stay"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// misreadStay is the fact as a wrong reading of stays takes it.
func (w *world) misreadStay(f *record.Fact, s *stay.Stays) *record.Fact {
	changed := *f
	switch f.Body.(type) {
	case *cannularyv1.SessionStarted, *cannularyv1.NeedleInserted:
		if w.mutant == GuestMovesStay {
			changed.Body, changed.Kind = &cannularyv1.PatientAdmitted{}, "patient_admitted"
		}
	case *cannularyv1.PatientLeft:
		if w.mutant == LeavingAnywhereEnds {
			changed.Facility = s.At(f.At).Facility
		}
	}
	return &changed
}

// stayAhead looks at stays that are told later as well.
func (w *world) stayAhead(at time.Time) stay.Moment {
	s := stay.New(w.zone)
	for i := range w.in.Items {
		if it := &w.in.Items[i]; !it.Void {
			if _, admitted := it.Body.(*cannularyv1.PatientAdmitted); admitted || !it.At.After(at) {
				s.Add(&it.Fact)
			}
		}
	}
	list := s.List()
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Admitted {
			return stay.Moment{Facility: list[i].Facility, Open: true, Admitted: true}
		}
	}
	return s.At(at)
}
