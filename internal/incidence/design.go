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
// that runs on average at least so many months until a false alarm, from S = 0, and keeps its
// rule when the unit's size changes. From the restart it runs shorter, as the Design says.
//
// One event by itself adds ln R − μ (R − 1), μ the events expected that day. A threshold that
// lies as low as that makes each event a signal; one between that and ln R does so or not by
// μ, of which a small unit expects so little that one patient more or fewer decides. Such a
// threshold is never proposed (ours). Where one event may be a signal, the threshold is half of
// ln R, which keeps that rule for any size near this one; else it lies above ln R, which no
// single event reaches from 0 at any size.
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
	if d := (Design{Setting: s, Signal: g}); d.OneEvent() {
		return OneEventDesign(s, r)
	}
	if g.H <= math.Log(r) {
		g.H = (math.Floor(math.Log(r)*thresholdSteps) + 1) / thresholdSteps
	}
	return design(s, g)
}

// OneEventDesign is the rule that each event is a signal. It needs a unit in which less than
// one event is expected in some two weeks.
func OneEventDesign(s Setting, r float64) (Design, error) {
	if err := first(s.check(), checkIncrease(r)); err != nil {
		return Design{}, err
	}
	d, err := design(s, Signal{R: r, H: math.Round(math.Log(r)/2*thresholdSteps) / thresholdSteps})
	if err == nil && !d.OneEvent() {
		err = fmt.Errorf("with %.3g events expected in a month a single one cannot be a signal of %v times the usual", s.Expected(), r)
	}
	return d, err
}

func design(s Setting, g Signal) (Design, error) {
	d := Design{Setting: s, Signal: g}
	run, err := d.RunLength(1)
	d.InControl, d.AfterRestart = run.FromZero, run.FromRestart
	return d, err
}

// OneEvent says whether a single event is a signal by itself, as it is where events are
// rarer than false alarms may be.
func (d Design) OneEvent() bool { return d.OneMore(0) }

// OneMore says whether one more event on the next day is a signal, from a sum of 0 or more.
func (d Design) OneMore(sum float64) bool { return d.Signals(d.step(sum, 1, d.perDay())) }

// Least is how many events must come together, on one day and from S = 0, for a signal.
func (d Design) Least() int {
	n := 1
	for !d.Signals(d.step(0, n, d.perDay())) {
		n++
	}
	return n
}

// Second is the months after a first event, from S = 0, within which a second one is a
// signal: in whole days. 0 is not even the next day, or that the first one was a signal.
func (d Design) Second() float64 {
	if d.OneEvent() {
		return 0
	}
	a := d.step(0, 1, d.perDay())
	days := 0
	for s := a; s > 0 && d.Signals(d.step(s, 1, d.perDay())); s = d.step(s, 0, d.perDay()) {
		days++
	}
	return float64(days) / DaysPerMonth
}

// Rule says in words what the threshold means for single events at the setting's size.
func (d Design) Rule() string {
	switch n := d.Least(); n {
	case 1:
		return "one infection by itself is a signal"
	case 2:
		if second := d.Second(); second > 0 {
			return "one infection by itself is no signal, a second one within " + span(second) + " of it is"
		}
		return "one infection by itself is no signal, two on the same day are"
	default:
		return fmt.Sprintf("fewer than %d infections are no signal, however close together", n)
	}
}

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

// Chance is ChanceFrom S = 0.
func (d Design) Chance(increase, months float64) (float64, error) {
	return d.ChanceFrom(0, increase, months)
}

// ChanceFrom is the probability that the signal comes within so many months, from a sum of 0 or
// more, when the true rate is increase times the reference: of a false alarm at 1. Months are from
// one day to 600, in whole days. By the exact chain, equal exposure.
func (d Design) ChanceFrom(sum, increase, months float64) (float64, error) {
	if err := first(
		d.Setting.check(), d.Signal.check(), checkRange("the sum", sum, 0, mostSize), checkRange("the true increase", increase, 0.01, 1000),
		checkRange("the number of months to notice within", months, 1/DaysPerMonth, 600),
	); err != nil {
		return 0, err
	}
	return d.walk(d.perDay()).within(int(math.Round(months*DaysPerMonth)), d.perDay()*increase, sum)
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
