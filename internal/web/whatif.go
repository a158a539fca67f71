package web

import (
	"context"
	"io"
	"log/slog"
	"mime"
	"net/http"

	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
)

// Compare judges the record by a proposed protocol, at one facility or, where that is empty, at every one.
type Compare func(ctx context.Context, p whatif.Proposal, facility string) (whatif.Report, error)

// WhatIf answers `POST /what-if?facility=ID`: the body is a protocol in protobuf-JSON (see
// proposal.Read), the answer whatif.Report in JSON. A comparison takes its time, so one runs at
// a time and whoever comes meanwhile is asked to try again.
func WhatIf(compare Compare, log *slog.Logger) http.Handler {
	one := make(chan struct{}, 1)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		if r.Method != http.MethodPost {
			w.Header().Set("Allow", http.MethodPost)
			jsonhttp.Problem(w, http.StatusMethodNotAllowed, "method-not-allowed",
				"a protocol is posted here in JSON, with POST; nothing of it is stored")
			return
		}
		// A page of another site cannot post this type unasked.
		if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
			jsonhttp.Problem(w, http.StatusUnsupportedMediaType, "unsupported-media-type",
				"the body must be sent as Content-Type application/json")
			return
		}
		select {
		case one <- struct{}{}:
			defer func() { <-one }()
		default:
			jsonhttp.Problem(w, http.StatusServiceUnavailable, "unavailable", "another comparison is running; try again when it has ended")
			return
		}
		report, err := compareAsked(r, compare)
		if err != nil {
			jsonhttp.Failed(w, r, log, "a comparison failed", err)
			return
		}
		jsonhttp.Answer(w, http.StatusOK, report)
	})
}

func compareAsked(r *http.Request, compare Compare) (whatif.Report, error) {
	asked, err := jsonhttp.Query(r, "facility")
	if err != nil {
		return whatif.Report{}, err
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, proposal.MaxBytes+1))
	if err != nil {
		return whatif.Report{}, fault.Wrap(fault.Invalid, err, "the body could not be read", "send it again")
	}
	p, err := proposal.Read("what-if", body)
	if err != nil {
		return whatif.Report{}, err
	}
	return compare(r.Context(), p, asked["facility"])
}
