package app

import (
	"cannulary/internal/intake"
	"cannulary/internal/metrics"
)

// note counts a message by its sender. A message that was not accepted for a passing reason is
// not the sender's fault, so only its outcome is counted.
func (a *App) note(n intake.Note) {
	s := metrics.Sender{Facility: n.Facility, Source: n.Source, Fact: n.Fact}
	switch n.Outcome {
	case "accepted", "duplicate":
		a.metrics.Taken(s)
	case "refused", "conflict":
		a.metrics.Refused(s, n.Code)
	}
}
