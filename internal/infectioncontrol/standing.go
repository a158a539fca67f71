package infectioncontrol

import (
	"context"
	"fmt"
	"strings"

	"cannulary/internal/surveil"
)

// Standing is a chart as it stands, without its course. If its threshold was voided while a
// signal stands, all fields of the threshold are 0 or empty.
type Standing struct {
	surveil.ChartName
	Threshold float64 `json:"threshold"`
	SetBy     string  `json:"setBy"`
	From      string  `json:"from"` // YYYY-MM-DD
	Sum       float64 `json:"sum"`
	// Signal is the oldest one that nobody has acknowledged, nil if none stands.
	Signal *Signal `json:"signal"`
}

// Signals are a facility's charts as they stand.
type Signals struct {
	Facility string `json:"facility"`
	AsOf     string `json:"asOf"` // the newest day that had begun
	// Lagging reports that the view is behind the log: newer facts may exist.
	Lagging bool       `json:"lagging"`
	Charts  []Standing `json:"charts"`
	Caution string     `json:"caution"`
}

// Signals returns the signals that stand at a facility; with an empty name, at the only one
// there is. Its errors are faults.
func (s *Service) Signals(ctx context.Context, facility string) (Signals, error) {
	k := s.Knowledge(ctx)
	w, err := s.unit(ctx, facility)
	if err != nil {
		return Signals{}, err
	}
	out := Signals{Facility: w.Facility, AsOf: w.AsOf.String(), Lagging: k.Lagging, Charts: []Standing{}, Caution: Caution}
	for i := range w.Charts {
		out.Charts = append(out.Charts, standingOf(&w.Charts[i]))
	}
	return out, nil
}

func standingOf(ch *surveil.WatchedChart) Standing {
	t := ch.Threshold
	out := Standing{ChartName: t.ChartName, Threshold: six(t.H), SetBy: t.SetBy, Sum: six(ch.Sum())}
	if t.Stands() {
		out.From = t.From.String()
	}
	if s := ch.Standing(); s != nil {
		out.Signal = &Signal{Day: s.Day.String(), Sum: six(s.Sum)}
	}
	return out
}

// chartNow returns the chart of that name as it stands, nil if no threshold is set and no signal
// stands.
func chartNow(w *surveil.Watch, n surveil.ChartName) *Standing {
	for i := range w.Charts {
		if w.Charts[i].Threshold.ChartName == n {
			return new(standingOf(&w.Charts[i]))
		}
	}
	return nil
}

// unmatched returns notices about acknowledgements since a month began that answered no signal.
// Their messages were accepted, so their senders and the lead must learn of it.
func unmatched(w *surveil.Watch, since surveil.Month) []string {
	var out []string
	for _, a := range w.Unmatched {
		if a.On < since.First() {
			continue
		}
		do := "If another chart was meant, acknowledge that one."
		if c := chartNow(w, a.ChartName); c != nil && c.Signal != nil {
			do = "The signal that stands there now came later. Acknowledge that one."
		}
		out = append(out,
			fmt.Sprintf("The acknowledgement by %s on %s (%s, %s) belonged to no signal: that chart had none when it came. %s",
				a.By, a.On, techniqueName(a.Technique), strings.ToLower(className(a.Class)), do))
	}
	return out
}
