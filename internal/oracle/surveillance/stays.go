package surveillance

import (
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// walk takes the facts in order and writes, for each, what it says of every day from its
// date on; a later fact writes over it.
func (w *world) walk() {
	w.stay, w.admitted = make([]string, len(w.dates)), make([]bool, len(w.dates))
	left := map[string]string{} // facility → the date on which the patient left it last
	for _, f := range w.facts {
		date := w.date(f)
		switch b := f.Body.(type) {
		case *cannularyv1.PatientAdmitted:
			// Reading: the stay elsewhere ends on the day on which the new one begins.
			from := told(b.GetFirstTreatmentOn(), date)
			for i, d := range w.dates {
				if d >= from {
					w.stay[i], w.admitted[i] = f.Facility, true
				}
				// A stay that was open already is now one by admission, from its first day.
				for k := i; k > 0 && d == from && w.stay[k-1] == f.Facility; k-- {
					w.admitted[k-1] = true
				}
			}
		case *cannularyv1.PatientLeft:
			// Reading: a message of leaving ends a stay at its own facility only, one that
			// has yet to begin among them.
			for i, d := range w.dates {
				if d >= date && w.stay[i] == f.Facility {
					w.stay[i], w.admitted[i] = "", false
				}
			}
			left[f.Facility] = date
		// Reading: care is the start of a treatment or a needle; on the day of leaving it
		// opens nothing at the facility that the patient left.
		case *cannularyv1.SessionStarted, *cannularyv1.NeedleInserted:
			w.care(f.Facility, date, left[f.Facility] == date)
		}
	}
}

// care begins a stay where there is none.
// Reading: where one has been announced for later, the new one lasts until then; a stay that
// began with care and not with an admission goes where the care is.
func (w *world) care(facility, date string, gone bool) {
	i := 0
	for w.dates[i] != date {
		i++
	}
	was := w.stay[i]
	if was == facility || was != "" && w.admitted[i] || gone {
		return
	}
	from := i
	for ; i < len(w.dates) && w.stay[i] == was && !w.admitted[i]; i++ {
		w.stay[i] = facility
	}
	// It goes on as the stay that was announced there, or from the one that ended there.
	same := i < len(w.dates) && w.stay[i] == facility && w.admitted[i] || from > 0 && w.stay[from-1] == facility && w.admitted[from-1]
	for k := from; k < i && same; k++ {
		w.admitted[k] = true
	}
}
