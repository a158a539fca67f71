package web

import (
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"slices"
	"strconv"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
)

// reads refuses what is no reading with a text.
func reads(r *http.Request, otherwise string) error {
	return answer.Allow(r, otherwise, http.MethodGet, http.MethodHead)
}

// Signals answers `GET /surveillance/signals` with facility.
func Signals(s *infectioncontrol.Service, log *slog.Logger) http.Handler {
	return answer.Handler(log, "signals could not be reported", func(w http.ResponseWriter, r *http.Request) error {
		if err := reads(r, "only GET is possible here; a signal is acknowledged by a message of the roster service"); err != nil {
			return err
		}
		p, err := answer.Query(r, "facility")
		if err != nil {
			return err
		}
		out, err := s.Signals(r.Context(), p["facility"])
		if err != nil {
			return err
		}
		return answer.Value(w, r, http.StatusOK, out)
	})
}

// Threshold answers `GET /surveillance/threshold` with facility, technique, class,
// rate_ratio, in_control_months, reference and patients.
func Threshold(s *infectioncontrol.Service, log *slog.Logger) http.Handler {
	return answer.Handler(log, "a threshold was not computed", func(w http.ResponseWriter, r *http.Request) error {
		if err := reads(r, "only GET is possible here; a threshold is set by a message of the roster service"); err != nil {
			return err
		}
		ask, err := thresholdRequest(r)
		if err != nil {
			return err
		}
		out, err := s.Threshold(r.Context(), ask)
		if err != nil {
			return err
		}
		return answer.Value(w, r, http.StatusOK, out)
	})
}

func thresholdRequest(asked *http.Request) (infectioncontrol.ThresholdRequest, error) {
	r := infectioncontrol.ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated, RateRatio: 2,
		InControlMonths: 120}
	p, err := answer.Query(asked, "class", "facility", "in_control_months", "patients", "rate_ratio", "reference", "technique")
	if err != nil {
		return r, err
	}
	r.Facility = p["facility"]
	if v, ok := p["technique"]; ok {
		r.Technique = surveil.Technique(v)
	}
	if v, ok := p["class"]; ok {
		r.Class = surveil.Class(v)
	}
	for _, x := range []struct {
		name   string
		number *float64
	}{{"in_control_months", &r.InControlMonths}, {"patients", &r.Patients}, {"rate_ratio", &r.RateRatio}, {"reference", &r.Reference}} {
		v, ok := p[x.name]
		if !ok {
			continue
		}
		if *x.number, err = strconv.ParseFloat(v, 64); err != nil || !(*x.number > 0) || math.IsInf(*x.number, 0) {
			return r, fault.New(fault.Invalid, fmt.Sprintf("%s: %q is not a number above 0", x.name, v), "give a number such as 2 or 0.26")
		}
	}
	if r.Technique != surveil.ConstantSite && r.Technique != surveil.OtherFistula {
		return r, fault.New(fault.Invalid, fmt.Sprintf("technique %q has no chart", r.Technique), "choose constant-site or other-fistula")
	}
	if !slices.Contains(surveil.Infections(), r.Class) {
		return r, fault.New(fault.Invalid, fmt.Sprintf("class %q has no chart", r.Class),
			"choose access-related, bloodstream or local-access")
	}
	return r, nil
}
