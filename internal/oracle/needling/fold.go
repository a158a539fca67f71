// Package needling judges constant-site tracks a second time, slowly and plainly, from the
// words of the documentation of package track and of nothing else. It shares no code with
// that package; tests compare the two. Everything is worked out from the whole history, by
// scanning all facts, as often as it is asked for.
//
// Where the words leave something open, a comment that begins with "Reading:" says which
// meaning was taken.
package needling

import (
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
)

// Input is what is judged. Its fields mean the same as those of track.Input.
type Input struct {
	// Items are the facts of one patient, all merged identities together, after corrections
	// and voids.
	Items []record.Item
	// Ratings are the `cannulator_rated` facts of the staff concerned.
	Ratings []record.Item
	// Book knows the protocols, Zone the time zones of the facilities.
	Book *protocol.Book
	Zone func(facility string) *time.Location
	// AsOf is the moment that is asked for.
	AsOf time.Time
}

// Answer is what the production judgement is compared by.
type Answer struct {
	// Facility is that of the stay in force at the moment asked for: its protocol and
	// calendar answer. Empty where no fact is known.
	Facility string
	Tracks   []Track // by name
	Holds    []Hold  // by id
	// ShownAsOne are the ids of open holds that are shown and counted as one, by twos or more.
	ShownAsOne [][]string
	Findings   []Finding // by id, those that ended too
}

// Track is one track at the moment asked for.
type Track struct {
	Name   string
	Stage  string // as shown: rest and retirement cover what was folded
	Folded string
	// Counted are the sharp sessions that count, Needed the target with all extras.
	Counted, Needed int
	Extras          []string // codes of the rules, oldest first
	// Again is of how many sessions the next one that counts is number 1, where the gap since the last one has counting start
	// again; else 0. OneMore tells that a shorter gap asks for one more.
	Again   int
	OneMore bool
	Streak  int
	Needle  string   // sharp, blunt or none
	Held    []string // ids of the open holds on it or its access, sorted
	Shown   Shown
}

// Shown is what the next cannulator is told to repeat. What is zero is not known.
type Shown struct {
	Creator          string // record.StaffID
	Angle, Depth     float64
	Direction, Bevel int32
	// AsPlanned names, comma-separated and in this order, those of angle, direction, bevel
	// and depth that are shown as the plan's.
	AsPlanned string
	Gauge     uint32
}

// Hold is one hold, open or lifted; that of not-a-fistula only while it applies.
type Hold struct {
	ID, Rule         string
	Tracks, Accesses []string // sorted
	Since            time.Time
	Lifted           time.Time // zero while open
	Withdrawn        bool
	// Needled is in how many sessions a needle was used under it, NeedledLast the local
	// date of the last such attempt at its facility.
	Needled     int
	NeedledLast string
}

// Finding is one finding, standing or ended. Those of merges and of refused messages are
// left out.
type Finding struct {
	ID, Rule, Severity string
	Track, Access      string
	Since              time.Time
	Cleared            time.Time // zero while it stands
	Facts              []string  // ids, sorted
}

// Fold judges in, misreading one rule if mutant is not empty.
func Fold(in Input, mutant Mutant) Answer {
	w := look(in, mutant)
	w.placeHolds()
	w.findPlans()
	w.findFistulas()
	w.findPreparations()
	w.findExaminations()
	w.findStops()
	w.findHaemostasis()
	w.findPressures()
	w.findFlows()
	w.findInfiltrations()
	w.findRestated()
	for _, t := range w.trackNames() {
		w.findSessions(t)
		w.findRemovals(t)
		w.findForming(t)
		w.findRescues(t)
		w.findUnused(t)
		w.findUnderHold(t)
	}
	w.findUnderHoldElsewhere()
	holds := w.answerHolds()
	return Answer{
		Facility: w.facility(), Tracks: w.answerTracks(), Holds: holds, ShownAsOne: w.shownAsOne(holds), Findings: w.answerFindings(),
	}
}
