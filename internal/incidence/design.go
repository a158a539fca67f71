package incidence

import (
	"fmt"
	"math"
)

const (
	// DaysPerMonth is how many days an average month has, 365.25 / 12 = 30.4375 rounded as
	// the trade does.
	DaysPerMonth = 30.44

	thresholdSteps = 1000 // to one, in which DesignFor looks for a threshold
)

// Setting is the size of a unit and the rate that is taken as usual there.
type Setting struct {
	PatientMonths float64 // exposure in a month, which is the average number of patients
	Rate          float64 // reference, events per 100 patient-months
}

// Expected is how many events a month brings at the reference rate.
func (s Setting) Expected() float64 { return s.PatientMonths * s.Rate / 100 }

func (s Setting) perDay() float64 { return s.Expected() / DaysPerMonth }

func (s Setting) check() error {
	return first(
		checkSize("the exposure in patient-months a month", s.PatientMonths),
		checkSize("the reference rate per 100 patient-months", s.Rate),
		checkRange("the number of events expected in a month", s.Expected(), 0.002, 30),
	)
}

// Design is a Signal for a setting, looked at every day with equal exposure.
type Design struct {
	Setting
	Signal
	InControl    float64 // months from S = 0 to a false alarm, on average
	AfterRestart float64 // the same from the restart at half of the threshold
}

// DesignFor is the signal of an increase r with the least threshold, in whole thousandths,
// that runs on average at least so many months until a false alarm, from S = 0. From the
// restart it runs shorter, as the Design says.
func DesignFor(s Setting, r, months float64) (Design, error) {
	if err := first(s.check(), checkIncrease(r), checkRange("the wanted months between false alarms", months, 1, 600)); err != nil {
		return Design{}, err
	}
	g := Signal{R: r}
	enough := func(k int) (bool, error) {
		g.H = float64(k) / thresholdSteps
		steps, err := g.walk(s.perDay()).runLength(s.perDay(), 0)
		return steps >= months*DaysPerMonth, err
	}
	// The run length is at least e to the threshold (Lorden, Annals of Mathematical Statistics
	// 42:1897, 1971, from memory), so doubling ends. From below, as long runs take long.
	lo, hi, far := 0, 1, false
	for !far || hi-lo > 1 {
		at := hi
		if far {
			at = (lo + hi) / 2
		}
		ok, err := enough(at)
		switch {
		case err != nil:
			return Design{}, err
		case ok:
			hi, far = at, true
		case far:
			lo = at
		default:
			lo, hi = at, 2*at
		}
	}
	g.H = float64(hi) / thresholdSteps
	d := Design{Setting: s, Signal: g}
	run, err := d.RunLength(1)
	d.InControl, d.AfterRestart = run.FromZero, run.FromRestart
	return d, err
}

// OneEvent says whether a single event is a signal by itself, as it is where events are
// rarer than false alarms may be.
func (d Design) OneEvent() bool { return d.Signals(d.step(0, 1, d.perDay())) }

// RunLength is how long the signal takes, in months and on average.
type RunLength struct {
	Increase    float64 // the true rate by the reference rate
	FromZero    float64 // since the rate changed, the sum being at 0
	FromRestart float64 // with the sum at half of the threshold
}

// RunLength is the average time to the signal when the true rate is increase times the
// reference: to a false alarm at 1, the delay above. By the exact chain, equal exposure.
func (d Design) RunLength(increase float64) (RunLength, error) {
	if err := first(d.Setting.check(), d.Signal.check(), checkRange("the true increase", increase, 0.01, 1000)); err != nil {
		return RunLength{}, err
	}
	w, mean := d.walk(d.perDay()), d.perDay()*increase
	zero, err := w.runLength(mean, 0)
	if err != nil {
		return RunLength{}, err
	}
	restart, err := w.runLength(mean, d.Restart())
	return RunLength{increase, zero / DaysPerMonth, restart / DaysPerMonth}, err
}

// Chance is the probability that the signal comes within so many months, from S = 0, when
// the true rate is increase times the reference: of a false alarm at 1. Months are from one
// day to 600, in whole days. By the exact chain, equal exposure.
func (d Design) Chance(increase, months float64) (float64, error) {
	if err := first(
		d.Setting.check(), d.Signal.check(), checkRange("the true increase", increase, 0.01, 1000),
		checkRange("the number of months to notice within", months, 1/DaysPerMonth, 600),
	); err != nil {
		return 0, err
	}
	return d.walk(d.perDay()).within(int(math.Round(months*DaysPerMonth)), d.perDay()*increase, 0)
}

// Row is one line of what a signal can and cannot do.
type Row struct {
	Design
	FalseAlarms float64     // per ten years of nothing wrong, each acknowledged
	Delays      []RunLength // by the increases asked for
	InYear      []float64   // probability of a signal within twelve months, by the same
}

// Table is a row for each size of unit, in patient-months a month: the signal of r for so
// many months between false alarms, and how long it takes to notice each of the increases.
func Table(sizes []float64, rate, r, months float64, increases []float64) ([]Row, error) {
	rows := make([]Row, 0, len(sizes))
	for _, size := range sizes {
		d, err := DesignFor(Setting{size, rate}, r, months)
		if err != nil {
			return nil, fmt.Errorf("a unit of %v patient-months a month: %w", size, err)
		}
		// Acknowledged, every alarm but the first follows on a restart.
		row := Row{Design: d, FalseAlarms: 120 / d.AfterRestart}
		for _, increase := range increases {
			delay, err := d.RunLength(increase)
			if err != nil {
				return nil, err
			}
			chance, err := d.Chance(increase, 12)
			if err != nil {
				return nil, err
			}
			row.Delays, row.InYear = append(row.Delays, delay), append(row.InYear, chance)
		}
		rows = append(rows, row)
	}
	return rows, nil
}
