package track

import (
	"time"

	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Whereabouts is where a patient is dialysed at a moment, see package stay.
type Whereabouts struct {
	// Facility is that of the stay in force. Its protocol and calendar judge. It is empty if no
	// fact is known.
	Facility string
	// Admitted reports that an admission began this stay or an earlier one. Without one, the
	// patient is where treatment takes place.
	Admitted bool
	// Left reports that the patient left and no stay is open.
	Left     bool
	LeftAt   time.Time
	LeftUnit string
	Reason   cannularyv1.LeavingReason
	// DiedOn is the local date of a death on record, if what came after says that the patient is treated; else empty.
	DiedOn string
	// InHospitalSince is nil while the patient is no inpatient.
	InHospitalSince *time.Time
}

// where returns where the patient is at a moment.
func (m *machine) where(t time.Time) Whereabouts {
	at := m.stays.At(t)
	w := Whereabouts{Facility: at.Facility, Admitted: at.Admitted, InHospitalSince: m.hospital}
	for _, s := range m.stays.List() {
		w.Admitted = w.Admitted || s.Admitted
	}
	if l := at.Left; l != nil && !at.Open {
		w.Left, w.LeftAt, w.LeftUnit, w.Reason = true, l.At, l.Facility, l.Reason
		return w
	}
	for _, l := range m.stays.Leavings() {
		if l.Reason == cannularyv1.LeavingReason_LEAVING_REASON_DEATH && !l.At.After(t) {
			w.DiedOn = l.Day.String()
		}
	}
	return w
}

// stayDates adds the dates on which a stay begins or ends, by the calendar of a facility.
func (m *machine) stayDates(e *env, facility string, due *dueDate) {
	for _, s := range m.stays.List() {
		for _, d := range []zone.Day{s.From, s.To} {
			if d != zone.Never {
				due.instant(e, facility, e.midnight(d.String(), s.Facility))
			}
		}
	}
}
