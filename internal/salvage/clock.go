package salvage

import (
	"fmt"
	"slices"
	"time"

	"cannulary/internal/eventlog"
)

// clockStep is how far an entry may be dated ahead of a later one: a clock is set by less now and then.
const clockStep = 5 * time.Minute

// dated is an entry with when the server dated it.
type dated struct {
	seq uint64
	at  time.Time
}

// ahead finds runs of entries that are dated ahead of a later one, apart from those that were declared already. Entries of a
// log of invented facts say themselves when they arrived: no clock dated them.
func (s *salvage) ahead() (notes []string) {
	if s.found.Invented {
		return nil
	}
	earliest := time.Time{} // of all later entries
	var run []dated
	say := func() {
		if len(run) == 0 {
			return
		}
		last, first := run[0], run[len(run)-1] // it is read backwards
		by := last.at.Sub(earliest).Round(time.Second)
		note := fmt.Sprintf("entries %d to %d are dated ahead of later ones, by up to %s: either the machine's clock was wrong when they "+
			"were written, or behind them it was; `cannulary clock wrong --data %s --first %d --last %d --ahead %s --reason TEXT` "+
			"declares the former", first.seq, last.seq, by, s.found.Dir, first.seq, last.seq, by)
		notes = append([]string{note}, notes...)
		run = nil
	}
	for i := len(s.times) - 1; i >= 0; i-- {
		e := s.times[i]
		if !earliest.IsZero() && e.at.Sub(earliest) > clockStep {
			if !s.declared(e.seq) {
				run = append(run, e)
			}
			continue
		}
		say()
		if earliest.IsZero() || e.at.Before(earliest) {
			earliest = e.at
		}
	}
	say()
	return notes
}

func (s *salvage) declared(seq uint64) bool {
	return slices.ContainsFunc(s.wrong, func(w eventlog.WrongClock) bool { return w.Covers(seq) })
}
