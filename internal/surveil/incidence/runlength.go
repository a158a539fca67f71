package incidence

import (
	"errors"
	"math"
)

const (
	// hair is the largest rounding error of a sum. A sum nearer than that to the threshold is at
	// it.
	hair = 1e-9
	// leastMass is the share of the probability of a signal below which a rest is left out.
	leastMass = 1e-13
	// leastRest ends a walk that has no signal to compare with.
	leastRest = 1e-280
	// leastLeft is the rest of one excursion that is left out; up to some ten thousand of them
	// can add up.
	leastLeft = 1e-16
	// mostWork limits the time of one walk to about a tenth of a second.
	mostWork = 30_000_000
)

var errTooLong = errors.New("the run length is too long to compute: the threshold is too high, or the expected number of events too low")

// walk is a cumulative sum of counts that never falls below 0. Each step takes down off and adds
// up for every event. It signals at h.
type walk struct{ up, down, h float64 }

func (w walk) signals(s float64) bool { return s >= w.h-hair }

// runLength returns the average number of steps from start to the signal, if the events of a
// step are Poisson with a mean above 0. It is +Inf if a signal is too rare for a number.
//
// It is the Markov chain of Brook & Evans (1972) without their grid. Between two visits to 0 the
// sum is start, plus a whole number of ups, less a whole number of downs. Those points are the
// states, so nothing is discretised. The result is exact but for rounding and a rest of
// leastMass, some 1e-11 of it.
func (w walk) runLength(mean, start float64) (float64, error) {
	if w.signals(start) {
		return 0, nil
	}
	steps, signal, err := w.excursion(mean, 0)
	if err != nil {
		return 0, err
	}
	if signal == 0 {
		return math.Inf(1), nil
	}
	zero := steps / signal
	if start <= 0 {
		return zero, nil
	}
	steps, signal, err = w.excursion(mean, start)
	return steps + (1-signal)*zero, err
}

// excursion follows the sum from start until it falls to 0 or signals. It returns the average
// number of steps and the probability of the signal.
func (w walk) excursion(mean, start float64) (steps, signal float64, err error) {
	err = w.follow(mean, start, func(p step) bool {
		steps += p.taken
		signal += p.signal
		return p.rest > leastMass*signal && p.rest >= leastRest
	})
	return steps, signal, err
}

// within returns the probability of a signal within so many steps from start. A sum that has
// fallen to 0 begins anew, so this is a renewal sum over the steps of its excursions.
func (w walk) within(steps int, mean, start float64) (float64, error) {
	if w.signals(start) {
		return 1, nil
	}
	// by[n] is the probability of a signal within n steps from 0.
	by := make([]float64, steps+1)
	zero, err := w.first(steps, mean, 0)
	if err != nil {
		return 0, err
	}
	for n := 1; n <= steps; n++ {
		by[n] = zero.by(n, by)
	}
	if start <= 0 {
		return by[steps], nil
	}
	from, err := w.first(steps, mean, start)
	return from.by(steps, by), err
}

// excursions are the steps of an excursion, from the first.
type excursions []step

// first returns the first steps of the excursions from start.
func (w walk) first(steps int, mean, start float64) (excursions, error) {
	var list excursions
	err := w.follow(mean, start, func(p step) bool {
		list = append(list, p)
		return len(list) < steps && p.rest >= leastLeft
	})
	return list, err
}

// by returns the probability of a signal within n steps. by0 is that from 0 for fewer steps.
func (x excursions) by(n int, by0 []float64) float64 {
	var sum float64
	for i, p := range x[:min(n, len(x))] {
		sum += p.signal + p.zero*by0[n-1-i]
	}
	return sum
}

// step holds the probability that a step is taken before the sum was at 0 again or signalled,
// and of each outcome: it then signals, it leads to 0, or it leads to neither.
type step struct{ taken, signal, zero, rest float64 }

// follow calls each with every step of the sum from start until each returns false. After n
// steps mass[i] is the probability of low+i events so far, for the numbers of events that keep
// the sum between 0 and the threshold.
func (w walk) follow(mean, start float64, each func(step) bool) error {
	event, orMore := w.chances(mean)
	at := func(events, n int) float64 {
		return start + float64(float64(events)*w.up) - float64(float64(n)*w.down)
	}
	width := len(orMore)
	mass, next, low := append(make([]float64, 0, width), 1), make([]float64, 0, width), 0
	for n, work := 1, 0; work < mostWork; n++ {
		// from is the first number of events that keeps the sum above 0, to the first that
		// signals.
		from := low
		for at(from, n) <= 0 {
			from++
		}
		to := from
		for !w.signals(at(to, n)) {
			to++
		}
		next = next[:to-from]
		clear(next)
		var s step
		for i, m := range mass {
			have := low + i
			s.taken += m
			s.signal += float64(m * orMore[to-have])
			first := max(have, from)
			s.zero += float64(m * (1 - orMore[first-have]))
			into := next[first-from:]
			for k, p := range event[min(first-have, len(event)):min(to-have, len(event))] {
				into[k] += float64(m * p)
			}
		}
		work += 10 + len(mass)*min(len(mass), len(event))
		mass, next, low = next, mass, from
		for _, m := range mass {
			s.rest += m
		}
		if !each(s) {
			return nil
		}
	}
	return errTooLong
}

// chances returns the probability of so many events in a step, as far as it matters, and of so
// many or more, as far as a step can lead without a signal.
func (w walk) chances(mean float64) (event, orMore []float64) {
	for y := range int((w.h+w.down)/w.up) + 4 {
		p := exactly(y, mean)
		orMore = append(orMore, atLeast(y, mean))
		if float64(y) <= mean || p > leastMass*leastMass {
			event = append(event, p)
		}
	}
	return event, orMore
}
