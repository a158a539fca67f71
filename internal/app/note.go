package app

import (
	"cannulary/internal/intake"
	"cannulary/internal/metrics"
)

// note counts a message by its sender. What was not taken for a passing reason is no
// sender's doing and is counted by outcome alone.
func (a *App) note(n intake.Note) {
	s := metrics.Sender{Facility: n.Facility, Source: n.Source, Fact: n.Fact}
	switch n.Outcome {
	case "accepted", "duplicate":
		a.metrics.Taken(s)
	case "refused", "conflict":
		a.metrics.Refused(s, n.Code)
	}
}
