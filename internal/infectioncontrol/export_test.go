package infectioncontrol

import (
	"testing"

	"cannulary/fhir"
	"cannulary/internal/surveil"
	"cannulary/internal/view"
)

// What the tests that ask over HTTP share with those of the figures.

type (
	Broken  = broken
	Corrupt = corrupt
)

func Invented(t *testing.T) *surveil.Watch { return invented(t) }

func Bare(t *testing.T, facility string, patients int, technique surveil.Technique, first, asOf string) *surveil.Watch {
	return bare(t, facility, patients, technique, first, asOf)
}

func Kept(t *testing.T, list ...fhir.Resource) *view.Store { return kept(t, list...) }

func Serving(h Histories, all ...*surveil.Watch) *Service { return service(h, all...) }
