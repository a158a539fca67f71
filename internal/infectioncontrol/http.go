package infectioncontrol

import (
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"slices"
	"strconv"

	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
	"cannulary/internal/surveil"
)

// ThresholdHandler answers `GET /surveillance/threshold` with facility, technique, class,
// rate_ratio, in_control_months, reference and patients.
func (s *Service) ThresholdHandler(log *slog.Logger) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !reads(w, r, "only GET is possible here; a threshold is set by a message of the roster service") {
			return
		}
		ask, err := thresholdRequest(r)
		if err != nil {
			jsonhttp.Failed(w, r, log, "a threshold was not computed", err)
			return
		}
		out, err := s.Threshold(r.Context(), ask)
		if err != nil {
			jsonhttp.Failed(w, r, log, "a threshold was not computed", err)
			return
		}
		jsonhttp.Answer(w, http.StatusOK, out)
	})
}

func thresholdRequest(asked *http.Request) (ThresholdRequest, error) {
	r := ThresholdRequest{Technique: surveil.ConstantSite, Class: surveil.AccessRelated, RateRatio: 2, InControlMonths: 120}
	p, err := jsonhttp.Query(asked, "class", "facility", "in_control_months", "patients", "rate_ratio", "reference", "technique")
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
			return r, fault.New(fault.Invalid, fmt.Sprintf("%s: %q is no number above 0", x.name, v), "give a number such as 2 or 0.26")
		}
	}
	if r.Technique != surveil.ConstantSite && r.Technique != surveil.OtherFistula {
		return r, fault.New(fault.Invalid, fmt.Sprintf("technique %q has no chart", r.Technique), "choose constant-site or other-fistula")
	}
	if classes := []surveil.Class{surveil.AccessRelated, surveil.Bloodstream, surveil.LocalAccess}; !slices.Contains(classes, r.Class) {
		return r, fault.New(fault.Invalid, fmt.Sprintf("class %q has no chart", r.Class), "choose access-related, bloodstream or local-access")
	}
	return r, nil
}

// reads prepares an answer that nothing may keep, and refuses what is no reading with a text.
func reads(w http.ResponseWriter, r *http.Request, otherwise string) bool {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		return true
	}
	w.Header().Set("Allow", "GET, HEAD")
	jsonhttp.Problem(w, http.StatusMethodNotAllowed, "method-not-allowed", otherwise)
	return false
}
