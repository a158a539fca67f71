// Package simulate makes a synthetic feed of invented dialysis units: the messages that hospital
// integration engines would post, in the order in which they would arrive. The same scenario
// gives the same messages, byte for byte, so that a test, a demonstration or a measurement can
// be repeated. Patients, staff, units and towns are invented.
//
// It knows the message schema and how the record names holds. It imports no log, view or
// transport.
package simulate

import (
	"fmt"
	"hash/fnv"
	"math"
	"time"
)

// Limits of a scenario.
const (
	maxUnits         = 100
	maxPatients      = 400
	maxMonths        = 120
	maxOutbreak      = 100.0
	earliestYear     = 1990
	latestYear       = 2200
	defaultUnits     = 1
	defaultPatients  = 60
	defaultMonths    = 12
	defaultSeed      = 20261
	defaultUntilYear = 2026
)

// Scenario says what to simulate. The zero value is invalid; start from Default.
type Scenario struct {
	// Units is the number of dialysis units, 1 to 100. Two by two they have different protocols
	// and treat each other's patients as guests, and one patient of each moves to the other.
	Units    int
	Patients int       // patients per unit at a time, 1 to 400
	Months   int       // length of the simulated period, 1 to 120 months
	Seed     uint64    // chooses one of many equally likely courses
	Until    time.Time // last simulated local date; only its year, month and day are read
	// WholeMonths begins the period on the first of a month, so that Months whole months end by
	// Until. The days after them are added. A year's rates need whole months.
	WholeMonths bool

	Corrections bool // facts are corrected and voided, also out of order
	Merges      bool // some patients begin under a temporary identifier
	Late        bool // some messages arrive hours to three days late
	Repeats     bool // some messages are sent again unchanged
	Infections  bool // cultures, antimicrobials, signs of infection
	Trouble     bool // needling, vessel and track problems
	// Unanswered leaves a signal near the end without an acknowledgement. It changes nothing if
	// no signal stands.
	Unanswered bool

	// OutbreakFactor multiplies the risk of access infection of constant-site patients in
	// the last quarter of the period; 1 is no outbreak. 1 to 100.
	OutbreakFactor float64
}

// Default is one unit of 60 patients over the twelve months to 31 October 2026 with every
// scenario switched on and no outbreak.
func Default() Scenario {
	return Scenario{
		Units: defaultUnits, Patients: defaultPatients, Months: defaultMonths, Seed: defaultSeed,
		Until:       time.Date(defaultUntilYear, time.October, 31, 0, 0, 0, 0, time.UTC),
		Corrections: true, Merges: true, Late: true, Repeats: true, Infections: true, Trouble: true,
		OutbreakFactor: 1,
	}
}

// Demonstration is the year of the demo: two units of 30 patients with different protocols,
// whole months, and nobody who acknowledges a signal of the surveillance.
func Demonstration() Scenario {
	s := Default()
	s.Units, s.Patients = 2, 30
	s.WholeMonths, s.Unanswered = true, true
	return s
}

// Validate returns the first error of the scenario: what is wrong, where, and what to do.
func (s Scenario) Validate() error {
	for _, c := range []struct {
		name       string
		value, max int
	}{
		{"Units", s.Units, maxUnits},
		{"Patients", s.Patients, maxPatients},
		{"Months", s.Months, maxMonths},
	} {
		if c.value < 1 || c.value > c.max {
			return fmt.Errorf("simulate: %s is %d: give a whole number from 1 to %d", c.name, c.value, c.max)
		}
	}
	if s.Until.IsZero() {
		return fmt.Errorf("simulate: Until is not set: give the last date to simulate, as YYYY-MM-DD")
	}
	if y := s.Until.Year(); y < earliestYear || y > latestYear {
		return fmt.Errorf("simulate: Until is %s: give a date from %d to %d", s.Until.Format(time.DateOnly), earliestYear, latestYear)
	}
	if math.IsNaN(s.OutbreakFactor) || s.OutbreakFactor < 1 || s.OutbreakFactor > maxOutbreak {
		return fmt.Errorf("simulate: OutbreakFactor is %v: give a number from 1 (no outbreak) to %v", s.OutbreakFactor, maxOutbreak)
	}
	return nil
}

// FirstDate is the first simulated local date, at midnight UTC.
func (s Scenario) FirstDate() time.Time {
	next := s.lastDate().AddDate(0, 0, 1)
	if s.WholeMonths {
		next = next.AddDate(0, 0, 1-next.Day())
	}
	return next.AddDate(0, -s.Months, 0)
}

// lastDate is Until's date at midnight UTC.
func (s Scenario) lastDate() time.Time {
	y, m, d := s.Until.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// mark tells scenarios apart in the names of their sources: each counts its messages from
// the beginning, and an id may not come again with other content. The switches are left
// out, so that feeds with and without one can be compared message by message.
func (s Scenario) mark() string {
	h := fnv.New32a()
	fmt.Fprintf(h, "%d/%d/%d/%s", s.Seed, s.Patients, s.Months, s.Until.Format(time.DateOnly))
	if s.WholeMonths {
		fmt.Fprint(h, "/whole")
	}
	return fmt.Sprintf("%08x", h.Sum32())
}
