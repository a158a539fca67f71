package track

import (
	"time"

	"cannulary/internal/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Whereabouts says where a patient is dialysed at a moment, see package stay.
type Whereabouts struct {
	// Facility is that of the stay in force: its protocol and calendar judge. It is empty where
	// no fact is known.
	Facility string
	// Admitted tells that the stay began with an admission, or that the patient was admitted
	// before; else the patient is where the care is.
	Admitted bool
	// Left tells that the patient left and no stay is open.
	Left     bool
	LeftAt   time.Time
	LeftUnit string
	Reason   cannularyv1.LeavingReason
	// InHospitalSince is set while the patient is an inpatient.
	InHospitalSince *time.Time
}

// where is where the patient is at a moment.
func (m *machine) where(t time.Time) Whereabouts {
	at := m.stays.At(t)
	w := Whereabouts{Facility: at.Facility, Admitted: at.Admitted, InHospitalSince: m.hospital}
	for _, s := range m.stays.List() {
		w.Admitted = w.Admitted || s.Admitted
	}
	if l := at.Left; l != nil && !at.Open {
		w.Left, w.LeftAt, w.LeftUnit, w.Reason = true, l.At, l.Facility, l.Reason
	}
	return w
}

// moves gathers the dates on which a stay begins or ends, as the calendar of a facility has them.
func (m *machine) moves(e *env, facility string, due *dueDate) {
	for _, s := range m.stays.List() {
		for _, d := range []zone.Day{s.From, s.To} {
			if d != zone.Never {
				due.instant(e, facility, e.midnight(d.String(), s.Facility))
			}
		}
	}
}
