package facade

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/view"
)

// These bound what searches may cost, so that cards and pulls go on beside them. The numbers are
// this project's own, chosen for a machine of two cores.
const (
	wideAtOnce   = 1                // how many wide searches run at once: see searching.wide
	longestWait  = 20 * time.Second // of a wide search for its turn
	longestRun   = 30 * time.Second // of a search
	retrySeconds = 5
)

// gate lets so many wide searches in.
type gate struct {
	slots            chan struct{}
	waiting, running time.Duration
}

func newGate(waiting, running time.Duration) *gate {
	return &gate{slots: make(chan struct{}, wideAtOnce), waiting: waiting, running: running}
}

// run runs a search, a wide one when it is its turn. Its error is a 503 with Retry-After where that
// does not come, or where the search takes too long.
func (g *gate) run(ctx context.Context, wide bool, search func(context.Context) error) error {
	if wide {
		turn, cancel := context.WithTimeout(ctx, g.waiting)
		defer cancel()
		select {
		case g.slots <- struct{}{}:
			defer func() { <-g.slots }()
		case <-turn.Done():
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return tooBusy("throttled",
				"other searches over the data of all patients are running; try again in a few seconds, or ask for one patient at a time")
		}
	}
	running, cancel := context.WithTimeout(ctx, g.running)
	defer cancel()
	err := search(running)
	if err != nil && ctx.Err() == nil && errors.Is(running.Err(), context.DeadlineExceeded) {
		return tooBusy("too-costly", "the search took too long and was stopped; ask for one patient, a shorter time or fewer conditions")
	}
	return err
}

func tooBusy(code, text string) *problem {
	return &answer.Problem{Status: http.StatusServiceUnavailable, Code: code, Text: text,
		Header: map[string]string{"Retry-After": strconv.Itoa(retrySeconds)}}
}

// wide reports whether a search may go over the data of all patients: one that is neither of one
// patient or resource nor a plain pull in the order of lastUpdated.
func (s *searching) wide() bool {
	pull := s.query.Order.Date == "" && !s.query.Total && len(s.query.Includes)+len(s.query.RevIncludes) == 0
	for _, f := range s.query.Filters {
		if len(f) == 1 {
			switch c := f[0].(type) {
			case view.InCompartment, view.IDIs:
				return false
			case view.TokenIs:
				if c.Param == "identifier" && c.Code != "" {
					return false
				}
			}
		}
		for _, c := range f {
			if _, ok := c.(view.UpdatedIs); !ok {
				pull = false
			}
		}
	}
	return !pull
}
