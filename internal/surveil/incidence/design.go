package incidence

import (
	"cmp"
	"fmt"
	"math"
)

const (
	// DaysPerMonth is the number of days in an average month: 365.25 / 12 = 30.4375, rounded as
	// surveillance does.
	DaysPerMonth = 30.44

	thresholdSteps = 1000 // steps to one; DesignFor looks for a threshold in them
)

// Setting is the size of a unit and its usual rate.
type Setting struct {
	PatientMonths float64 // exposure in a month, which is the average number of patients
	Rate          float64 // reference, events per 100 patient-months
}

// Expected returns the number of events in a month at the reference rate.
func (s Setting) Expected() float64 { return s.PatientMonths * s.Rate / 100 }

func (s Setting) perDay() float64 { return s.Expected() / DaysPerMonth }

func (s Setting) check() error {
	return cmp.Or(
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

// DesignFor returns the signal of an increase r with the lowest threshold, in whole thousandths,
// that meets two conditions. From S = 0 it runs on average at least so many months until a false
// alarm. Its rule for a single event does not change when the unit's size changes a little. From
// the restart it runs shorter; the Design says how long.
//
// One event by itself adds ln R − μ (R − 1), where μ is the number of events expected that day.
// A threshold at or below that makes each event a signal. A threshold between that and ln R does
// so depending on μ. A small unit expects so few events that one patient more or fewer decides.
// Such a threshold is never proposed (ours). If one event can be a signal, the threshold is half
// of ln R, which keeps that rule for any size near this one. Otherwise it lies above ln R, which
// no single event reaches from 0 at any size.
func DesignFor(s Setting, r, months float64) (Design, error) {
	if err := cmp.Or(s.check(), checkIncrease(r), checkRange("the wanted months between false alarms", months, 1, 600)); err != nil {
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

// OneEventDesign returns the design in which each event is a signal. It needs a unit that
// expects less than one event in about two weeks.
func OneEventDesign(s Setting, r float64) (Design, error) {
	if err := cmp.Or(s.check(), checkIncrease(r)); err != nil {
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

// OneEvent reports whether a single event is a signal by itself, as it is if events are rarer
// than false alarms may be.
func (d Design) OneEvent() bool { return d.OneMore(0) }

// OneMore reports whether one more event on the next day is a signal, from a sum of 0 or more.
func (d Design) OneMore(sum float64) bool { return d.Signals(d.step(sum, 1, d.perDay())) }

// Least returns how many events must come together, on one day and from S = 0, for a signal.
func (d Design) Least() int {
	n := 1
	for !d.Signals(d.step(0, n, d.perDay())) {
		n++
	}
	return n
}

// Second returns the months, in whole days, after a first event from S = 0 within which a second
// one is a signal. It is 0 if not even the next day is within them, or if the first event was a
// signal.
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

// RunLength is the average time until the signal, in months.
type RunLength struct {
	FromZero    float64 // since the rate changed, the sum being at 0
	FromRestart float64 // with the sum at half of the threshold
}

// RunLength returns the average time to the signal if the true rate is increase times the
// reference: to a false alarm at 1, the delay above. It is computed by the exact chain, with
// equal exposure.
func (d Design) RunLength(increase float64) (RunLength, error) {
	if err := cmp.Or(d.Setting.check(), d.Signal.check(), checkRange("the true increase", increase, 0.01, 1000)); err != nil {
		return RunLength{}, err
	}
	w, mean := d.walk(d.perDay()), d.perDay()*increase
	zero, err := w.runLength(mean, 0)
	if err != nil {
		return RunLength{}, err
	}
	restart, err := w.runLength(mean, d.Restart())
	return RunLength{zero / DaysPerMonth, restart / DaysPerMonth}, err
}

// Chance returns ChanceFrom S = 0.
func (d Design) Chance(increase, months float64) (float64, error) {
	return d.ChanceFrom(0, increase, months)
}

// ChanceFrom returns the probability of a signal within so many months, from a sum of 0 or more,
// if the true rate is increase times the reference: of a false alarm at 1. Months are from one
// day to 600, in whole days. It is computed by the exact chain, with equal exposure.
func (d Design) ChanceFrom(sum, increase, months float64) (float64, error) {
	if err := cmp.Or(
		d.Setting.check(), d.Signal.check(), checkRange("the sum", sum, 0, mostSize), checkRange("the true increase", increase, 0.01, 1000),
		checkRange("the number of months to notice within", months, 1/DaysPerMonth, 600),
	); err != nil {
		return 0, err
	}
	return d.walk(d.perDay()).within(int(math.Round(months*DaysPerMonth)), d.perDay()*increase, sum)
}
