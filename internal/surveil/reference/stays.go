package reference

import (
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// walk takes the facts in order and writes, for each, what it says of every day from its
// date on; a later fact writes over it.
func (w *world) walk() {
	w.stay = make([]string, len(w.dates))
	for _, f := range w.facts {
		date := w.date(f)
		switch b := f.Body.(type) {
		case *cannularyv1.PatientAdmitted:
			// Reading: the stay elsewhere ends on the day on which the new one begins.
			from := told(b.GetFirstTreatmentOn(), date)
			for i, d := range w.dates {
				if d >= from {
					w.stay[i] = f.Facility
				}
			}
		case *cannularyv1.PatientLeft:
			// Reading: a message of leaving ends a stay at its own facility only, one that
			// has yet to begin among them.
			for i, d := range w.dates {
				if d >= date && w.stay[i] == f.Facility {
					w.stay[i] = ""
				}
			}
		default:
			if care(f) {
				w.open(date, f.Facility)
			}
		}
	}
}

// open begins a stay where there is none.
// Reading: where one has been announced for later, the new one lasts until then.
func (w *world) open(date, facility string) {
	for i, d := range w.dates {
		if d < date {
			continue
		}
		if w.stay[i] != "" {
			return
		}
		w.stay[i] = facility
	}
}

// care tells of facts from which it can be seen that the patient is dialysed there.
// Reading: what is done at a treatment; not a plan, a result or a message about the record.
func care(f *record.Fact) bool {
	switch f.Body.(type) {
	case *cannularyv1.SessionStarted, *cannularyv1.SessionEnded, *cannularyv1.SitePrepared,
		*cannularyv1.NeedleInserted, *cannularyv1.NeedleRemoved, *cannularyv1.PegPlaced, *cannularyv1.PegRemoved,
		*cannularyv1.PegFoundMissing, *cannularyv1.AccessExamined, *cannularyv1.VenousPressureRead,
		*cannularyv1.AccessFlowMeasured:
		return true
	}
	return false
}
