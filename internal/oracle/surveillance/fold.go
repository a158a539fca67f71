// Package surveillance counts the infections and the exposure of one patient a second time,
// slowly and plainly, from the words of the documentation of packages surveil and stay and of
// nothing else. It shares no code with them; tests compare the two. It writes down every
// day from the first to the last date that any fact mentions and looks at each by itself.
//
// A facility's figures and charts are read a second time in the same way, by Figures and Book.
//
// Where the words leave something open, a comment that begins with "Reading:" says which
// meaning was taken. "Settled:" is a meaning that was taken only when the two had been
// compared and the code of the other was known: there the two readers are not independent.
package surveillance

import (
	"time"

	"cannulary/internal/record"
)

// Input is what is looked at. Its fields mean the same as those of surveil.Input.
type Input struct {
	Items []record.Item
	Zone  func(facility string) *time.Location
}

// Answer is what the production fold is compared by.
type Answer struct {
	Days   []Day // those with a stay, oldest first
	Events []Event
	// Cultures are the blood cultures with a result, by date and fact.
	Cultures []Culture
	// Open reports where the patient is after the last of the days, and Technique how
	// dialysed there; empty where no stay is open.
	Open, Technique string
}

// Day is one day of exposure.
type Day struct {
	Date, Facility, Technique string
}

// Event is one occurrence that surveillance looks at.
type Event struct {
	Kind, Fact, Facility, Date string
	// Counted tells that it is an event, Named that something about it must be said.
	Counted, Named    bool
	Technique, Access string
	Tracks            []string // sorted
	Outside, Related  bool
	Source            int32
	Organisms         []int32 // sorted
	// Tested are "organism agent result", sorted; Outcome is hospital stay, loss of the access
	// and death.
	Tested                   []string
	Vancomycin, CultureTaken int32
	Outcome                  [3]int32
}

// Culture is a blood culture with a result.
type Culture struct {
	Fact, Facility, Date string
	Positive             bool
}

// Fold counts in.
func Fold(in Input) Answer {
	w := look(in)
	w.walk()
	a := Answer{Events: w.events(), Cultures: w.withResult()}
	for i, date := range w.dates {
		if w.stay[i] != "" {
			technique, _, _ := w.dialysedThrough(date)
			a.Days = append(a.Days, Day{date, w.stay[i], technique})
		}
	}
	end := len(w.dates) - 1
	if end >= 0 && w.stay[end] != "" {
		a.Open = w.stay[end]
		a.Technique, _, _ = w.dialysedThrough(w.dates[end])
	}
	return a
}
