package track

import (
	"time"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Whereabouts says whether a patient is dialysed in the unit at a moment.
type Whereabouts struct {
	// Left tells that the patient left the unit and was not admitted again since.
	Left     bool
	LeftAt   time.Time
	LeftUnit string
	Reason   cannularyv1.LeavingReason
	// InHospitalSince is set while the patient is an inpatient.
	InHospitalSince *time.Time
}

// Where reads the whereabouts from admissions and departures, hospital stays among them,
// up to the moment asked for. items are in the order of record.Before.
func Where(items []record.Item, asOf time.Time) Whereabouts {
	var w Whereabouts
	for i := range items {
		if it := &items[i]; !it.Void && !it.At.After(asOf) {
			w.apply(&it.Fact)
		}
	}
	return w
}

func (w *Whereabouts) apply(f *record.Fact) {
	switch b := f.Body.(type) {
	case *cannularyv1.PatientAdmitted:
		w.Left = false
	case *cannularyv1.PatientLeft:
		w.Left, w.LeftAt, w.LeftUnit, w.Reason = true, f.At, f.Facility, b.GetReason()
	case *cannularyv1.HospitalAdmission:
		at := f.At
		w.InHospitalSince = &at
	case *cannularyv1.HospitalDischarge:
		w.InHospitalSince = nil
	}
}
